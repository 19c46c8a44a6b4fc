// Left against right: what each took, and on a scale of its own how far they are apart. Never told by colour alone.

import { h, s } from './dom.js';
import { number, shown } from './units.js';
import { t } from './words.js';

const WIDE = 340;
const BAR = { left: 62, width: 190, high: 28 };
const ALIKE = 0.5; // Per cent of their mean: what counts as alike; the scale shows twice as much to each side.

export function pairPicture(pair) {
  const most = Math.max(pair.left_l, pair.right_l) || 1;
  const bar = (top, name, litres) => [
    s('text', { x: 2, y: top + 20 }, name),
    s('rect', { x: BAR.left, y: top, width: BAR.width, height: BAR.high, class: 'empty' }),
    s('rect', { x: BAR.left, y: top, width: (BAR.width * litres) / most, height: BAR.high, class: 'full' }),
    s('text', { x: BAR.left + BAR.width + 6, y: top + 20 }, shown(litres, 'volume')),
  ];
  const x = (percent) => WIDE / 2 + (Math.max(-2 * ALIKE, Math.min(2 * ALIKE, percent)) / (2 * ALIKE)) * (WIDE / 2 - 14);
  // More on the left stands on the left.
  const at = x(-pair.difference_percent);
  return h('figure', { class: 'pair' },
    h('figcaption', {}, `${pair.axle}: ${words(pair)}`),
    s('svg', { viewBox: `0 0 ${WIDE} 140`, 'aria-hidden': 'true' },
      bar(2, t('side.left'), pair.left_l), bar(38, t('side.right'), pair.right_l),
      s('rect', { x: x(-ALIKE), y: 82, width: x(ALIKE) - x(-ALIKE), height: 26, class: 'alike' }),
      s('line', { x1: 4, x2: WIDE - 4, y1: 95, y2: 95, class: 'axis' }),
      s('line', { x1: WIDE / 2, x2: WIDE / 2, y1: 78, y2: 112, class: 'axis' }),
      s('path', { d: `M${at} 84 l9 11 l-9 11 l-9 -11 z`, class: 'needle' }),
      s('text', { x: 2, y: 132 }, t('left_more')), s('text', { x: WIDE / 2, y: 132, class: 'tick' }, t('alike')),
      s('text', { x: WIDE - 2, y: 132, class: 'most' }, t('right_more'))));
}

function words(pair) {
  const apart = Math.abs(pair.difference_percent);
  const more = pair.difference_l >= 0 ? 'left' : 'right';
  return t('pair_words', {
    more: t(`${more}_more`), by: shown(Math.abs(pair.difference_l), 'volume', 2), percent: number(apart, 2),
    alike: t(apart <= ALIKE ? 'is_alike' : 'is_apart', { percent: number(ALIKE, 1) }),
  });
}
