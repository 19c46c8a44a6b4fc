// STOP, on every page, before anything else is there. It says what is known of it, and says where nothing is known.
(() => {
  const face = document.getElementById('stop');
  const place = document.getElementById('stop-said');
  const words = JSON.parse(face.dataset.words);
  let last = 0;

  function say(word, loud) {
    place.textContent = words[word] || '';
    place.className = loud ? 'loud' : '';
  }

  // An answer within a second, or none.
  const ask = (more) => fetch('/api/stop', { ...more, signal: AbortSignal.timeout?.(1000) })
    .then((reply) => reply.ok ? reply.json() : null).catch(() => null);
  const pause = () => new Promise((go) => setTimeout(go, 200));

  async function stop(escape) {
    const mine = ++last;
    const sent = { method: 'POST', keepalive: true, headers: { 'Content-Type': 'application/json', 'X-Rig': 'page' },
      body: JSON.stringify({ id: 'stop-' + Math.random().toString(36).slice(2), escape }) };
    say('pressed');
    let now = await ask(sent);
    while (!now && mine === last) {
      say('unknown', true);
      await pause();
      now = await ask(sent);
    }
    const ran = now?.ran;
    if (mine === last) say(ran ? 'sent' : escape ? '' : 'nothing');
    for (const since = Date.now(); ran && mine === last; now = await ask()) {
      const late = Date.now() - since > 1000;
      if (!now || now.off === null) say('unknown', true);
      else if (now.off && now.seen) break;
      else if (now.off) say(late ? 'not_seen' : 'off', late);
      else if (late) say('not_off', true);
      await pause();
    }
    if (mine !== last) return;
    if (ran) say('seen');
    setTimeout(() => mine === last && say(''), 7000);
  }

  face.addEventListener('click', () => stop(false));
  addEventListener('keydown', ({ key, repeat }) => {
    if (key === 'Escape' && !repeat && !document.activeElement?.closest('input,select,textarea,[role*=dialog]')) stop(true);
  });
})();
