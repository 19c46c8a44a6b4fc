// Every word of the page comes from one catalogue, that of the reader's language. A sentence of the controller comes with its
// key, its English words and its values: the catalogue's words take their place, the reader's units that of its quantities.

import { language, plain, shown } from './units.js';

const PLACE = /\{(\w+)(?::(\w+))?\}/g;
const catalogue = {};

export const learn = (texts) => Object.assign(catalogue, texts);

function put(value, kind) {
  if (kind === 'number') return plain(value);
  return kind ? shown(value, kind) : sentence(value);
}

// From right to left a figure with its unit, or a name, keeps its own order (Unicode FSI and PDI).
const apart = document.documentElement.dir === 'rtl' ? (text) => `\u2068${text}\u2069` : (text) => text;
const filled = (text, values) => text.replace(PLACE, (whole, name, kind) => (name in values ? apart(put(values[name], kind)) : whole));

export const t = (key, values = {}) => filled(catalogue[key] ?? key, values);

// Of what the server says: a sentence, or a text that has no other words.
export function sentence(told) {
  if (!told?.key) return told ?? '';
  return filled(catalogue[told.key] ?? told.words, told.values ?? {});
}

export const known = (key, fallback) => catalogue[key] ?? fallback;

export const clock = (at) => new Date(at).toLocaleString(language, { dateStyle: 'short', timeStyle: 'short' });
