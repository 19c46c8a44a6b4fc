// Word on the device when hands are wanted and the page is out of sight, where the browser permits it: over https, or on the
// rig's own computer. Nothing rests on it: page, sound and vibration say the same.

import * as given from './given.js';
import { language } from './units.js';

const TAG = 'rig';
const able = () => isSecureContext && 'Notification' in window && 'serviceWorker' in navigator;
let last = '';

// Whether it can still be asked; the browser keeps the answer.
export const unasked = () => able() && Notification.permission === 'default';

export const ask = () => Notification.requestPermission();

async function worker() {
  const found = await navigator.serviceWorker.register(given.notice);
  const coming = found.installing || found.waiting;
  if (!found.active) await new Promise((done) => coming.addEventListener('statechange', () => coming.state === 'activated' && done()));
  return found;
}

async function show(words) {
  if (!able() || Notification.permission !== 'granted') return;
  const shows = await worker();
  for (const each of await shows.getNotifications({ tag: TAG })) each.close();
  if (words && document.hidden) await shows.showNotification(words.title, { body: words.body, tag: TAG, lang: language });
}

// `occasion` is one of those of the sound: another one takes the place of what is shown, none takes it away.
export function notify(occasion, title, body) {
  if (occasion === last) return;
  last = occasion;
  show(occasion && { title, body }).catch(() => {});
}

document.addEventListener('visibilitychange', () => document.hidden || show(null).catch(() => {}));
