// Pressure as a column: the floor that keeps the beads on, the ceiling that is filled to, the trip, and a pointer, which is
// hollow where the figure is not of this moment.

import { h, say } from './dom.js';
import { bare, converted, plain, point, shown } from './units.js';
import { t } from './words.js';

export class Gauge {
  constructor() {
    this.scale = h('div', { class: 'scale' });
    this.element = h('div', { class: 'column', role: 'img' }, this.scale);
    this.key = '';
  }

  show(fill, old) {
    const key = [fill.floor_kpa, fill.ceiling_kpa, fill.trip_kpa, bare(100, 'pressure')].join();
    if (key !== this.key) this.build(fill, key);
    const known = fill.tyre_kpa !== null;
    this.pointer.hidden = !known;
    if (known) this.pointer.style.bottom = this.at(fill.tyre_kpa);
    this.pointer.classList.toggle('hollow', old);
    this.element.setAttribute('aria-label', t('pressure_label', {
      now: shown(fill.tyre_kpa, 'pressure'), floor: shown(fill.floor_kpa, 'pressure'),
      ceiling: shown(fill.ceiling_kpa, 'pressure'), trip: shown(fill.trip_kpa, 'pressure'),
    }));
  }

  share(kpa) {
    return Math.min(1, Math.max(0, (kpa - this.low) / (this.high - this.low)));
  }

  at(kpa) {
    return `${(100 * this.share(kpa)).toFixed(1)}%`;
  }

  build(fill, key) {
    this.key = key;
    this.low = Math.min(0, fill.floor_kpa - 10);
    this.high = Math.max(fill.trip_kpa, fill.ceiling_kpa) * 1.16;
    const zone = (from, to, kind) => {
      const part = h('div', { class: `zone ${kind}` });
      part.style.bottom = this.at(from);
      part.style.height = `${(100 * (this.share(to) - this.share(from))).toFixed(1)}%`;
      return part;
    };
    const mark = (name, kpa) => {
      const line = h('div', { class: 'mark' }, h('b', {}, plain(Number(converted(kpa, 'pressure').toFixed(2)))), h('span', {}, ` ${t(name)}`));
      line.style.bottom = this.at(kpa);
      return line;
    };
    this.pointer = h('div', { class: 'pointer' });
    this.scale.replaceChildren(
      zone(this.low, fill.floor_kpa, 'low'), zone(fill.floor_kpa, fill.ceiling_kpa, 'good'),
      zone(fill.ceiling_kpa, fill.trip_kpa, 'near'), zone(fill.trip_kpa, this.high, 'over'),
      mark('floor', fill.floor_kpa), mark('ceiling', fill.ceiling_kpa), mark('trip', fill.trip_kpa),
      this.pointer);
  }
}

// A figure that is read from afar: its whole digits large, its decimals and its unit small.
export class Figure {
  constructor(part, id) {
    this.whole = h('b');
    this.rest = h('i');
    this.unit = h('small');
    this.output = h('output', { class: 'figure', id, 'data-part': part }, this.whole, this.rest, this.unit);
    this.below = h('p', { class: 'of' });
    this.element = h('div', { class: 'value' }, this.output, this.below);
  }

  show(text, unit, below) {
    const [whole, rest] = text.split(point);
    say(this.whole, whole);
    say(this.rest, rest === undefined ? '' : `${point}${rest}`);
    say(this.unit, ` ${unit}`);
    say(this.below, below);
    this.output.style.setProperty('--digits', whole.length);
  }
}
