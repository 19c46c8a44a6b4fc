// Small helpers to build the page. Text is always text: nothing that comes from the wire is read as markup.

import { t } from './words.js';

const HOLD_MS = 800; // A press that is meant: longer than a brush of a sleeve, shorter than a nuisance.
const SLIP_PX = 30; // A wet glove slides; so far beside the key it still presses.

export function h(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function s(tag, attributes = {}, ...children) {
  return filled(document.createElementNS('http://www.w3.org/2000/svg', tag), attributes, children);
}

function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? '' : value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

// Changes a text only where it differs, so that a screen reader is not told the same again.
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// Builds anew only when the key has changed: a button under a finger must not be swapped away.
export class Slot {
  constructor(tag = 'div', attributes = {}) {
    this.element = h(tag, attributes);
    this.key = null;
  }

  show(key, build) {
    if (this.key === key) return;
    this.key = key;
    this.element.replaceChildren(...[build()].flat(Infinity).filter(Boolean));
  }
}

export function button(text, press, kind = '', more = {}) {
  return h('button', { type: 'button', class: kind, onclick: press, ...more }, text);
}

// A page of the guide, in a tab of its own: what stands here stays.
export function guideLink(topic, text) {
  return h('a', { class: 'link', href: topic ? `/guide/${topic}` : '/guide', target: 'guide' }, text);
}

// Press and hold. By key too; where a helper presses for a person (no pointer, no key), that press is enough.
export function holdButton(text, done, kind = 'do', more = {}) {
  let timer = null;
  let touched = false;
  const face = h('button', { type: 'button', class: `${kind} hold`, ...more },
    h('span', {}, text), h('small', {}, t('press_and_hold')));
  const begin = () => {
    touched = true;
    if (timer || face.disabled) return;
    face.classList.add('held');
    timer = setTimeout(() => {
      leave();
      navigator.vibrate?.(60);
      done();
    }, HOLD_MS);
  };
  const leave = () => {
    clearTimeout(timer);
    timer = null;
    face.classList.remove('held');
  };
  face.addEventListener('pointerdown', (event) => {
    if (event.button !== 0) return;
    face.setPointerCapture(event.pointerId);
    begin();
  });
  face.addEventListener('pointermove', ({ clientX: x, clientY: y }) => {
    const box = face.getBoundingClientRect();
    if (x < box.left - SLIP_PX || x > box.right + SLIP_PX || y < box.top - SLIP_PX || y > box.bottom + SLIP_PX) leave();
  });
  for (const name of ['pointerup', 'pointercancel', 'blur']) face.addEventListener(name, leave);
  face.addEventListener('keydown', (event) => {
    if (event.key !== 'Enter' && event.key !== ' ') return;
    event.preventDefault();
    if (!event.repeat) begin();
  });
  face.addEventListener('keyup', leave);
  face.addEventListener('contextmenu', (event) => event.preventDefault());
  face.addEventListener('click', (event) => {
    if (!touched && event.detail === 0) done();
    touched = false;
  });
  return face;
}

// What is looked up beside the work: it lies over the evidence, never over the band, the further keys or the rail.
export class Sheet {
  constructor(...children) {
    this.element = h('section', { class: 'sheet', hidden: true, tabindex: -1 }, children);
    this.opener = button(t('details'), () => this.show(!this.open), 'plain', { id: 'details', 'aria-expanded': 'false' });
  }

  get open() {
    return !this.element.hidden;
  }

  show(open) {
    this.element.hidden = !open;
    this.opener.setAttribute('aria-expanded', String(open));
    say(this.opener, t(open ? 'details_back' : 'details'));
    if (open) this.element.focus();
  }
}

// Keys for a figure, so that a phone's keyboard does not cover the rest; a field with them has the input mode "none".
export function numberPad(input, point = '.', last = null) {
  const put = (text) => { input.value = (input.value + text).slice(0, input.maxLength > 0 ? input.maxLength : undefined); };
  const key = (text) => button(text, () => put(text), 'key');
  return h('div', { class: 'keys' }, [...'123456789'].map(key),
    button('⌫', () => { input.value = input.value.slice(0, -1); }, 'key', { 'aria-label': t('back_one') }), key('0'), last || key(point));
}
