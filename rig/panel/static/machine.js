// A machine from above, its front at the top: each wheel at its place, with size, litres and last fill beside it. What the
// picture shows stands in words in the table below it.

import { s } from './dom.js';
import { t } from './words.js';

const WIDE = 480;
const MIDDLE = WIDE / 2;
const BODY = 34; // Half of the machine's width.
const ROW = 130;
const TWIN = 46; // From a wheel to the one outside it.
const AXLES = [['front'], ['middle', 'mid', 'centre', 'center'], ['rear', 'back']];

// Where a wheel is by the words of its position; null where they do not say it.
function placed(position) {
  const words = (position || '').toLowerCase().split(/[^a-z]+/);
  const axle = AXLES.findIndex((names) => names.some((name) => words.includes(name)));
  const side = words.includes('left') ? -1 : words.includes('right') ? 1 : 0;
  return axle < 0 || !side ? null : { axle, side, twin: words.includes('outer') ? 1 : 0 };
}

// As high as its rim says, so that large and small wheels are told apart.
const heightOf = (size) => Math.min(112, 44 + 1.4 * (Number(/[-Rr](\d+(?:\.\d+)?)$/.exec(size)?.[1]) || 24));

function drawn({ side, twin }, y, lines, size) {
  const height = heightOf(size);
  const x = MIDDLE + side * (BODY + 26 + twin * TWIN);
  const beside = MIDDLE + side * (BODY + 52 + twin * TWIN);
  return s('g', {},
    s('rect', { x: x - 19, y: y - height / 2, width: 38, height, rx: 9, class: 'tyre' }),
    lines.map((line, number) => s('text', { x: beside, y: y - 16 + 20 * number, class: side < 0 ? 'most' : null }, line)));
}

// The picture of a machine's wheels; null where none says where it is. `lines` gives the words beside a wheel.
export function machine(name, wheels, lines) {
  const found = wheels.map((wheel) => ({ wheel, at: placed(wheel.position) })).filter(({ at }) => at);
  if (!found.length) return null;
  // Front and rear are always there: a lone axle is drawn where it is.
  const axles = [...new Set([0, 2, ...found.map(({ at }) => at.axle)])].sort();
  const y = (axle) => 36 + ROW * (axles.indexOf(axle) + 0.5);
  const high = 44 + ROW * axles.length;
  // Of inner and outer wheel the words would meet: those of the inner one stand in the table alone.
  const crowded = (at) => !at.twin && found.some((other) => other.at.axle === at.axle && other.at.side === at.side && other.at.twin);
  return s('svg', { viewBox: `0 0 ${WIDE} ${high}`, class: 'machine', role: 'img', 'aria-label': t('office.from_above', { machine: name, count: found.length }) },
    s('text', { x: MIDDLE, y: 16, class: 'tick' }, t('axle.front')),
    s('path', { d: `M${MIDDLE - 10} 30 l10 -9 l10 9 z`, class: 'mark' }),
    axles.map((axle) => s('line', { x1: MIDDLE - BODY - 26, x2: MIDDLE + BODY + 26, y1: y(axle), y2: y(axle), class: 'axis' })),
    s('rect', { x: MIDDLE - BODY, y: 36, width: 2 * BODY, height: high - 44, rx: 10, class: 'alike' }),
    found.map(({ wheel, at }) => drawn(at, y(at.axle), crowded(at) ? [] : lines(wheel), wheel.size)));
}
