// Identical wheels: how alike they came out, as the book's comparison has it, and a mark for each over its error. The side
// of a wheel is told by the mark's shape, and all that the picture shows stands beside it in words.

import { h, s } from './dom.js';
import { number, shown } from './units.js';
import { known, t } from './words.js';

const WIDE = 340;
const MIDDLE = WIDE / 2;
const MARKS = { left: 'l13 -9 v18 z', right: 'l-13 -9 v18 z', '': 'm-7 0 l7 -9 l7 9 l-7 9 z' };

// Wheels that have others of their kind; a wheel alone is like nothing.
export const fleets = (groups) => groups.filter((group) => group.wheels > 1).map(fleet);

function fleet(group) {
  const fine = (litres) => shown(litres, 'volume', 2);
  const [least, most] = group.worst.map((number) => named(group.each.find((wheel) => wheel.number === number)));
  const figures = {
    mean: fine(group.mean_l),
    spread: fine(group.sd_l),
    worst: t('fleet_worst', { least, most, by: fine(group.worst_l) }),
    cpk: group.cpk === null ? t('fleet_no_cpk') : t('fleet_cpk', { cpk: number(group.cpk, 2), low: number(group.cpk_low, 2), count: group.wheels }),
  };
  return h('figure', { class: 'fleet' },
    h('figcaption', {}, t('fleet', {
      size: group.size, fluid: group.fluid, target: shown(group.target_l, 'volume'), count: group.wheels,
      inside: group.inside, percent: group.tolerance_percent,
    })),
    picture(group),
    h('p', { class: 'what' }, t('fleet_marks', { percent: group.tolerance_percent })),
    h('dl', { class: 'figures roomy' }, Object.entries(figures).map(([name, text]) => h('div', {}, h('dt', {}, t(`fleet.${name}`)), h('dd', {}, text)))),
    group.estimated ? h('p', {}, t('fleet_estimated', { count: group.estimated })) : null);
}

const named = (wheel) => [known(`position.${wheel.position}`, wheel.position), t('number', { number: wheel.number })].filter(Boolean).join(', ');

function picture(group) {
  const band = group.tolerance_percent;
  const span = 1.2 * Math.max(band, ...group.each.map((wheel) => Math.abs(wheel.error_percent)));
  const x = (percent) => MIDDLE + (percent / span) * (MIDDLE - 12);
  const end = t('percent', { percent: number(span, 1) });
  return s('svg', { viewBox: `0 0 ${WIDE} 98`, 'aria-hidden': 'true' },
    s('rect', { x: x(-band), y: 2, width: x(band) - x(-band), height: 72, class: 'alike' }),
    s('line', { x1: MIDDLE, x2: MIDDLE, y1: 2, y2: 80, class: 'axis' }),
    group.each.map((wheel, place) => s('path', { d: `M${x(wheel.error_percent).toFixed(1)} ${13 + ((place * 17) % 51)} ${MARKS[wheel.side]}`, class: 'mark' },
      s('title', {}, `${named(wheel)}: ${shown(wheel.net_l, 'volume', 2)}`))),
    s('text', { x: 2, y: 94 }, `−${end}`),
    s('text', { x: MIDDLE, y: 94, class: 'tick' }, t('fleet_target')),
    s('text', { x: WIDE - 2, y: 94, class: 'most' }, `+${end}`));
}
