// A strip chart of one fill: volume, flow and pressure since the start, each on a strip with its own scale.

import { s } from './dom.js';
import { bare, number, unit } from './units.js';
import { t } from './words.js';

const WIDE = 340;
const STRIP = 62;
const GAP = 22;
const KINDS = [['volume', 1, 'in_the_tyre'], ['flow', 2, 'flow'], ['pressure', 3, 'pressure']];

// `rows` are seconds, litres, L/s, kPa; `lines` are levels to mark, by kind.
export function chart(rows, lines = {}) {
  const long = Math.max(60, rows.length ? rows[rows.length - 1][0] : 0);
  const x = (seconds) => (seconds / long) * (WIDE - 4) + 2;
  const strips = KINDS.map(([kind, column, name], index) => {
    const top = index * (STRIP + GAP) + GAP;
    const marked = lines[kind] || [];
    const values = [...rows.map((row) => row[column]).filter((v) => v !== null), ...marked, 0];
    const high = Math.max(...values) || 1;
    const low = Math.min(...values);
    const y = (value) => top + STRIP - ((value - low) / (high - low || 1)) * STRIP;
    const points = rows.filter((row) => row[column] !== null).map((row) => `${x(row[0]).toFixed(1)},${y(row[column]).toFixed(1)}`);
    return [
      s('rect', { x: 1, y: top, width: WIDE - 2, height: STRIP, class: 'strip' }),
      ...marked.map((value) => s('line', { x1: 1, x2: WIDE - 1, y1: y(value), y2: y(value), class: 'level' })),
      s('line', { x1: 1, x2: WIDE - 1, y1: y(0), y2: y(0), class: 'nought' }),
      s('polyline', { points: points.join(' '), class: `trace t${index}` }),
      s('text', { x: 2, y: top - 6, class: 'name' }, `${t(name)}, ${unit(kind)}`),
      s('text', { x: WIDE - 2, y: top - 6, class: 'most' }, t('up_to', { value: bare(high, kind) })),
    ];
  });
  const minutes = number(long / 60, long < 600 ? 1 : 0);
  const tall = 3 * (STRIP + GAP) + 20;
  const last = rows[rows.length - 1];
  const label = last ? t('chart_label', { volume: bare(last[1], 'volume'), unit: unit('volume'), minutes }) : t('chart_empty');
  return s('svg', { viewBox: `0 0 ${WIDE} ${tall}`, class: 'chart', role: 'img' }, s('title', {}, label), strips.flat(),
    s('text', { x: 2, y: tall - 4, class: 'name' }, t('start_mark')),
    s('text', { x: WIDE - 2, y: tall - 4, class: 'most' }, t('minutes', { minutes })));
}

