// The wire to the controller: pictures come in by themselves, touches go out with an id of their own.
// A touch that gets no answer is sent again with the same id: the controller does it once.

import { askBack } from './ask.js';
import { sentence, t } from './words.js';

const STALE_MS = 1500; // Large words must stand there within two seconds of the last picture.
const ALIVE_MS = 3000;

export const me = { name: null, role: null, id: null, csrf: '', names: [] };

export function newId() {
  return Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, '0')).join('');
}

export class Refusal extends Error {
  constructor(text, status, { doubts = [], faults = [] } = {}) {
    super(text);
    this.status = status;
    this.doubts = doubts;
    this.faults = faults; // In single fields of a form, each with the field's name first.
  }
}

const sending = new Set(); // Touches without an answer yet.

// What is read after a touch contains what the touch has changed.
export async function get(path) {
  await Promise.allSettled(sending);
  return answerOf(await fetch(path, { cache: 'no-store' }));
}

async function sent(path, body) {
  const reply = replyTo(path, body);
  sending.add(reply);
  try {
    return await answerOf(await reply);
  } finally {
    sending.delete(reply);
  }
}

// What can hardly be is asked about; the same touch is sent again where the person stands to it.
export async function post(path, body) {
  try {
    return await sent(path, body);
  } catch (error) {
    if (!error.doubts?.length) throw error;
    if (!(await askBack(error.doubts))) throw new Refusal(t('not_kept'), error.status);
    return sent(path, { ...body, sure: true });
  }
}

// Asks for a paper and hands it to the browser to keep.
export async function save(path, name) {
  const reply = await replyTo(path, {});
  if (!reply.ok) return answerOf(reply);
  const link = document.createElement('a');
  link.href = URL.createObjectURL(await reply.blob());
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  return true;
}

export const headers = (type) => ({ 'Content-Type': type, 'X-Rig': 'page', 'X-CSRF': me.csrf });

async function replyTo(path, body) {
  const attempt = () =>
    fetch(path, {
      method: 'POST',
      headers: headers('application/json'),
      body: JSON.stringify(body),
      keepalive: true,
    });
  try {
    return await attempt();
  } catch {
    return attempt();
  }
}

export async function answerOf(reply) {
  const body = await reply.json().catch(() => ({}));
  if (!reply.ok) throw new Refusal(sentence(body.told) || body.faults?.map(sentence).join('\n') || body.error || String(reply.status), reply.status, body);
  return body;
}

export const act = (operation, name = '') => post(`/api/act/${operation}`, { id: newId(), name });

export async function whoAmI() {
  Object.assign(me, { name: null, role: null, id: null, csrf: '', names: [] }, await get('/api/me'));
}

// A picture comes whole at first, then only what has changed, of a fill that goes on only what has changed within it.
function whole(before, { whole: picture, in_fill: within, ...changed }) {
  if (picture) return picture;
  return { ...before, ...changed, ...(within ? { fill: { ...before.fill, ...within } } : {}) };
}

// Calls `show(picture)` for every picture and `lost()` when there is none, or none that is fresh.
export function watch(show, lost) {
  let last = 0;
  let source = null;
  let picture = null;

  function open() {
    source?.close();
    source = new EventSource('/api/stream');
    source.onmessage = (event) => {
      picture = whole(picture, JSON.parse(event.data));
      // The page's server may live on while the controller does not: its picture is then as old as it says.
      if (picture.age_s * 1000 > STALE_MS) return;
      last = performance.now();
      show(picture);
    };
    // After a refusal the browser does not try again by itself.
    source.onerror = () => source.readyState === EventSource.CLOSED && setTimeout(open, 1000);
  }

  open();
  setInterval(() => performance.now() - last > STALE_MS && lost(), 200);
  setInterval(() => me.name && whoAmI().catch(() => {}), ALIVE_MS);
  return open;
}
