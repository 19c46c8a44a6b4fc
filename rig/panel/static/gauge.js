// Pressure on a scale with the floor that keeps the beads on, the ceiling that is filled to, and the trip.

import { s, say } from './dom.js';
import { bare, shown } from './units.js';
import { t } from './words.js';

const WIDE = 340;
const LEFT = 14;
const RIGHT = WIDE - 14;
const BAR = 44;

export class Gauge {
  constructor() {
    this.element = s('svg', { viewBox: `0 0 ${WIDE} 92`, class: 'gauge', role: 'img' });
    this.key = '';
  }

  show(fill) {
    const key = [fill.floor_kpa, fill.ceiling_kpa, fill.trip_kpa, bare(100, 'pressure')].join();
    if (key !== this.key) this.build(fill, key);
    const known = fill.tyre_kpa !== null;
    this.needle.setAttribute('visibility', known ? 'visible' : 'hidden');
    if (known) this.needle.setAttribute('transform', `translate(${this.at(fill.tyre_kpa).toFixed(1)} 0)`);
    say(this.title, t('pressure_label', {
      now: shown(fill.tyre_kpa, 'pressure'), floor: shown(fill.floor_kpa, 'pressure'),
      ceiling: shown(fill.ceiling_kpa, 'pressure'), trip: shown(fill.trip_kpa, 'pressure'),
    }));
  }

  at(kpa) {
    const place = (kpa - this.low) / (this.high - this.low);
    return LEFT + Math.min(1, Math.max(0, place)) * (RIGHT - LEFT);
  }

  build(fill, key) {
    this.key = key;
    this.low = Math.min(0, fill.floor_kpa - 10);
    this.high = fill.trip_kpa * 1.16;
    this.title = s('title');
    this.needle = s('path', { d: `M0 ${BAR + 3}l-11 -21h22z`, class: 'needle' });
    const zone = (from, to, kind) =>
      s('rect', { x: this.at(from), y: BAR, width: this.at(to) - this.at(from), height: 16, class: kind });
    const mark = (name, kpa, above) => [
      s('line', { x1: this.at(kpa), x2: this.at(kpa), y1: above ? 16 : BAR, y2: above ? BAR + 16 : BAR + 22, class: 'mark' }),
      s('text', { x: this.at(kpa), y: above ? 12 : BAR + 38, class: 'tick' }, `${t(name)} ${bare(kpa, 'pressure', undefined)}`),
    ];
    this.element.replaceChildren(
      this.title,
      zone(this.low, fill.floor_kpa, 'low'),
      zone(fill.floor_kpa, fill.ceiling_kpa, 'good'),
      zone(fill.ceiling_kpa, fill.trip_kpa, 'near'),
      zone(fill.trip_kpa, this.high, 'over'),
      ...mark('floor', fill.floor_kpa, false),
      ...mark('ceiling', fill.ceiling_kpa, false),
      ...mark('trip', fill.trip_kpa, true),
      this.needle,
    );
  }
}
