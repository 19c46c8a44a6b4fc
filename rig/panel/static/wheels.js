// The shop's own wheels by name, as configuration and book have them at this moment; the one taught last comes first.

import { Slot, h } from './dom.js';
import { get, me } from './net.js';
import { shown } from './units.js';
import { t } from './words.js';

const FRESH_MS = 10000;
const AT_ONCE = 6; // Tiles that are seen without a touch; the others are behind one.

let known = [];
const names = h('datalist', { id: 'shop-wheels' });
document.body.append(names);

export const few = () => known.slice(0, AT_ONCE);

// What was typed as a size is a wheel of the shop where it is the name of one.
export function sized(text) {
  const word = text.trim();
  const own = known.find((wheel) => wheel.name.toLowerCase() === word.toLowerCase());
  return own ? { wheel: own.name, size: '' } : { wheel: '', size: word };
}

export class ShopWheels {
  constructor(pick) {
    this.pick = pick;
    this.slot = new Slot('div', { class: 'shop-wheels' });
    this.element = this.slot.element;
    this.asked = -Infinity;
    this.show();
  }

  update() {
    if (!me.name || performance.now() - this.asked < FRESH_MS) return;
    this.asked = performance.now();
    get('/api/wheels').then((wheels) => {
      known = wheels;
      names.replaceChildren(...wheels.map((wheel) => h('option', { value: wheel.name }, wheel.size)));
      this.show();
    }).catch((error) => this.slot.show(error.message, () => h('p', { class: 'against' }, error.message)));
  }

  show() {
    const tiles = (wheels) => h('div', { class: 'tiles' }, wheels.map((wheel) => this.tile(wheel)));
    const rest = known.slice(AT_ONCE);
    this.slot.show(JSON.stringify(known), () => [
      tiles(few()),
      rest.length ? h('details', {}, h('summary', {}, t('more_wheels', { count: rest.length })), tiles(rest)) : null,
    ]);
  }

  tile(wheel) {
    return h('button', { type: 'button', class: 'tile', onclick: () => this.pick(wheel.name) },
      h('strong', {}, wheel.name), h('span', {}, ` ${wheel.size}`),
      wheel.took_l === null ? null : h('small', {}, t('took_before', { volume: shown(wheel.took_l, 'volume'), clock: wheel.valve_at })));
  }
}
