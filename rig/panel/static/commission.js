// The page of a commissioning: what is said so far, and the question that waits with its answers as buttons.

import { button, h, say } from './dom.js';
import { texts } from './given.js';
import { learn, sentence, t } from './words.js';

const EVERY_MS = 500;
const LOST_MS = 3000;
const place = (id) => document.getElementById(id);
const band = place('band');
let csrf = '';
let count = 0;
let asked = null;
let last = 0;
let entered = false;

async function send(path, body) {
  const reply = await fetch(path, {
    method: 'POST', headers: { 'Content-Type': 'application/json', 'X-Rig': 'page', 'X-CSRF': csrf },
    body: JSON.stringify(body),
  });
  const told = await reply.json().catch(() => ({}));
  if (!reply.ok) throw new Error(told.error || String(reply.status));
  return told;
}

async function tried(work) {
  try {
    say(place('said'), '');
    await work();
  } catch (error) {
    say(place('said'), error.message);
  }
}

async function enter(code) {
  ({ csrf } = await send('/api/code', { code }));
  entered = true;
  await look();
}

function answer(text) {
  const number = asked;
  return tried(async () => {
    await send('/api/commission', { number, text });
    await look();
  });
}

function show(seen) {
  csrf = seen.csrf;
  if (seen.lines.length && count <= seen.count) {
    const lines = seen.lines.map(sentence);
    place('said-so-far').append(...lines.map((line) => h('p', { class: line.startsWith('>') ? 'mine' : null }, line.trim())));
    const step = lines.findLast((line) => line.startsWith('\n'));
    if (step) say(place('step'), step.trim());
  }
  count = seen.count;
  say(place('live'), seen.live);
  place('live').className = seen.loud ? 'card alarm' : 'huge';
  put(seen.question);
  if (seen.ended !== null && !place('ended')) {
    place('said-so-far').append(h('pre', { id: 'ended', tabindex: 0 }, seen.ended));
    place('ended').scrollIntoView({ block: 'start' });
  } else if (seen.lines.length) {
    place('said-so-far').lastElementChild.scrollIntoView({ block: 'end' });
  }
  const state = seen.ended !== null ? 'done' : seen.loud ? 'stopped' : seen.question?.text ? 'yours' : 'pump';
  band.className = `band ${state}`;
}

function put(question) {
  place('question').hidden = !question;
  if (asked === (question?.number ?? null)) return;
  asked = question?.number ?? null;
  place('question').dataset.number = asked ?? '';
  if (!question) {
    place('act').replaceChildren();
    return;
  }
  say(place('asked'), sentence(question.text).trim());
  place('typed').hidden = !question.typed;
  place('text').value = '';
  // The one answer by Enter alone has its place beside STOP.
  const keys = question.choices.map(({ key, words }) => button(sentence(words), () => answer(key), key ? '' : 'do', { 'data-key': key || 'Enter' }));
  const first = question.choices.findIndex(({ key }) => !key);
  place('act').replaceChildren(...(first < 0 ? [] : keys.splice(first, 1)));
  place('choices').replaceChildren(...keys);
  place('question').scrollIntoView({ block: 'end' });
}

async function look() {
  const reply = await fetch(`/api/commission?after=${count}`, { cache: 'no-store', signal: AbortSignal.timeout(2000) });
  place('code').hidden = reply.ok;
  if (!reply.ok) return;
  entered = true;
  last = performance.now();
  show(await reply.json());
}

place('code').addEventListener('submit', (event) => {
  event.preventDefault();
  tried(() => enter(place('digits').value));
});
place('question').addEventListener('submit', (event) => {
  event.preventDefault();
  if (place('text').value.trim()) answer(place('text').value);
});
setInterval(() => {
  if (!entered || place('ended')) return;
  look().catch(() => {
    if (performance.now() - last < LOST_MS) return;
    band.className = 'band lost';
    say(place('said'), t('no_contact'));
  });
}, EVERY_MS);

learn(texts);
const given = location.hash.slice(1);
history.replaceState(null, '', '/');
tried(() => (given ? enter(given) : look()));
