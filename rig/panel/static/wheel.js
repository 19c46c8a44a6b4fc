// The wheel cut open, to scale: liquid up to its level, valve where it stands, hose with what moves in it.
// Liquid is hatched as well as coloured, so that it is told apart without colour.

import { s, say } from './dom.js';

const SIZE = 300;
const MIDDLE = SIZE / 2;

function levelAt(wheel, filled) {
  const last = wheel.levels_m.length - 1;
  const place = Math.min(Math.max(filled, 0), 1) * last;
  const left = Math.min(Math.floor(place), last - 1);
  return wheel.levels_m[left] + (place - left) * (wheel.levels_m[left + 1] - wheel.levels_m[left]);
}

export class Wheel {
  constructor(label, count = 0) {
    this.wheel = null;
    // Two wheels may stand on one page: what is referred to by name needs names of its own.
    this.own = `w${count}`;
    this.title = s('title', {}, label);
    this.element = s('svg', { viewBox: `0 0 ${SIZE} ${SIZE + 14}`, class: 'wheel', role: 'img' }, this.title);
  }

  draw(wheel, aim) {
    this.wheel = wheel;
    const scale = (0.94 * MIDDLE) / wheel.outer_m;
    this.scale = scale;
    const ring = (radius, kind, more = {}) =>
      s('circle', { cx: MIDDLE, cy: MIDDLE, r: (radius * scale).toFixed(1), class: kind, ...more });
    const angle = (Math.PI * wheel.valve_at) / 6;
    const x = MIDDLE + scale * wheel.valve_m * Math.sin(angle);
    const y = MIDDLE - scale * wheel.valve_m * Math.cos(angle);
    this.clip = s('rect', { x: 0, y: SIZE, width: SIZE, height: SIZE });
    this.surface = s('line', { x1: 0, x2: SIZE, class: 'surface' });
    this.aim = s('line', { x1: MIDDLE - scale * wheel.crown_m, x2: MIDDLE + scale * wheel.crown_m, class: 'aim' });
    this.hose = s('path', { d: `M${x.toFixed(1)} ${y.toFixed(1)} C ${(x + 12).toFixed(1)} ${(y + 60).toFixed(1)} ${MIDDLE + 30} ${SIZE - 30} ${SIZE * 0.86} ${SIZE + 10}`, class: 'hose' });
    this.arrow = s('text', { x: MIDDLE - 40, y: MIDDLE + 12, class: 'arrow' });
    this.element.replaceChildren(
      this.title,
      s('defs', {},
        s('pattern', { id: `${this.own}h`, width: 8, height: 8, patternUnits: 'userSpaceOnUse', patternTransform: 'rotate(35)' },
          s('rect', { width: 8, height: 8, class: 'liquid' }), s('line', { x1: 0, y1: 0, x2: 0, y2: 8, class: 'hatch' })),
        s('clipPath', { id: `${this.own}l` }, this.clip)),
      s('line', { x1: 0, x2: SIZE, y1: MIDDLE + 0.94 * MIDDLE + 1, y2: MIDDLE + 0.94 * MIDDLE + 1, class: 'ground' }),
      ring(wheel.outer_m, 'tyre'),
      ring(wheel.crown_m, 'air'),
      ring(wheel.crown_m, 'in', { fill: `url(#${this.own}h)`, 'clip-path': `url(#${this.own}l)` }),
      this.surface,
      this.aim,
      ring(wheel.rim_m, 'rim'),
      this.hose,
      this.arrow,
      s('circle', { cx: x.toFixed(1), cy: y.toFixed(1), r: 9, class: 'valve' }),
    );
    this.height(this.aim, aim);
  }

  height(line, filled) {
    const y = MIDDLE - this.scale * levelAt(this.wheel, filled);
    const half = Math.sqrt(Math.max(0, (this.scale * this.wheel.crown_m) ** 2 - (y - MIDDLE) ** 2));
    line.setAttribute('x1', (MIDDLE - half).toFixed(1));
    line.setAttribute('x2', (MIDDLE + half).toFixed(1));
    line.setAttribute('y1', y.toFixed(1));
    line.setAttribute('y2', y.toFixed(1));
    return y;
  }

  // The hose moves on the picture only where `flows`: a flow that is measured.
  fill(filled, moving = '', label = '', flows = false) {
    this.clip.setAttribute('y', this.height(this.surface, filled).toFixed(1));
    this.surface.setAttribute('visibility', filled > 0.001 ? 'visible' : 'hidden');
    this.hose.setAttribute('class', `hose ${flows ? moving : ''}`);
    say(this.arrow, { pump_run: '▲', pump_reverse: '▼', vent_valve: '≋' }[moving] || '');
    say(this.title, label);
  }
}
