// Every word of the page comes from one catalogue, so that a shop can translate it. The controller's own sentences
// (prompts, alarms, checks) may be translated by their names; without that they are shown as they come.

let catalogue = {};

export function learn(texts) {
  catalogue = texts;
}

export function t(key, values = {}) {
  const text = catalogue[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
}

export const known = (key, fallback) => catalogue[key] ?? fallback;

export const clock = (at) => new Date(at).toLocaleString([], { dateStyle: 'short', timeStyle: 'short' });
