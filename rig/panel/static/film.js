// A fill as a film: pressures, flow, litres and relays on one time axis under one cursor, which is moved by finger or by key,
// and its alarms with their causes. The plots are uPlot's. Loaded late, as a function of what it imports (assets.py).

import { button, guideLink, h, say } from './dom.js';
import { bare, converted, number, shown, unit } from './units.js';
import { known, sentence, t } from './words.js';

const AXIS = 52;
const ROW = 28; // Of a relay: its name above its bar.
const LOW = [130, 60, 66]; // Heights of the plots on a phone,
const HIGH = [160, 76, 80]; // and where there is room.
const STEP_S = 0.5; // What an arrow key moves.
const FONT = '600 13px system-ui, "Noto Sans", Arial, sans-serif';

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`);
const minutes = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, '0')}`;
const tenths = (seconds) => {
  const all = Math.round(seconds * 10);
  return `${Math.floor(all / 600)}:${number((all % 600) / 10, 1).padStart(4, number(0))}`;
};

// The place of the last of ascending times that is not after this one; the first place before all of them.
function placeOf(times, seconds) {
  let [low, high] = [0, times.length - 1];
  while (low < high) {
    const middle = Math.ceil((low + high) / 2);
    if (times[middle] <= seconds) low = middle;
    else high = middle - 1;
  }
  return low;
}

// A series at a time, as it is drawn: between two points on the line from one to the other.
function valueAt(times, values, seconds) {
  const at = placeOf(times, seconds);
  const [from, to] = [values[at], values[at + 1] ?? values[at]];
  const share = (seconds - times[at]) / (times[at + 1] - times[at]);
  return from === null || !(share > 0) ? from : from + (to - from) * share;
}

// What is on at a time.
const onAt = (relays, seconds) => Object.keys(relays).filter((name) => relays[name].some(([from, to]) => from <= seconds && seconds < to));

// Spans as rows to plot: a level from each begin to its end, and a gap between.
function rowsOf(relays) {
  const all = Object.values(relays);
  const edges = all.flatMap((spans) => spans.flatMap(([from, to], at) => (at ? [(spans[at - 1][1] + from) / 2, from, to] : [from, to])));
  const times = [...new Set(edges)].sort((a, b) => a - b);
  return [times, ...all.map((spans, row) => times.map((at) => (spans.some(([from, to]) => from <= at && at <= to) ? row : null)))];
}

export class Film {
  // `film` as the server sends it, `Plot` is uPlot; `close` ends it.
  constructor(film, Plot, close) {
    this.film = film;
    this.Plot = Plot;
    this.end_s = film.t_s[film.t_s.length - 1];
    this.strips = h('div', { class: 'strips' });
    this.words = ['when', 'figures', 'pressures', 'relays', 'alarm'].map((name) => h('p', { class: name, 'data-film': name }));
    this.range = h('input', { type: 'range', id: 'scrub', min: 0, max: this.end_s, step: STEP_S, value: 0, 'aria-label': t('film_scrub'), oninput: () => this.show(Number(this.range.value)) });
    this.element = h('div', { class: 'film' },
      film.same ? null : h('p', { class: 'against' }, t('film_otherwise')),
      film.ended ? null : h('p', {}, t('film_unended')),
      this.strips, h('div', { class: 'under' }, this.range, h('div', { class: 'told' }, this.words)),
      h('div', { class: 'side' }, this.causes(), button(t('film_close'), close, 'wide', { id: 'film-close' })));
  }

  // Draws, once the element has its place: at the first alarm, if there is one.
  begin() {
    this.plots = this.drawn();
    const dark = matchMedia('(prefers-color-scheme: dark)');
    const again = () => (this.strips.isConnected ? this.plots.forEach((plot) => plot.redraw()) : dark.removeEventListener('change', again));
    dark.addEventListener('change', again);
    new ResizeObserver(() => this.resize()).observe(this.strips);
    this.show(this.film.alarms.length ? this.film.alarms[0].t_s : 0);
    this.range.focus({ preventScroll: true });
  }

  // A plot is laid out after the task that changes it: its cursor is placed behind that.
  resize() {
    for (const plot of this.plots) plot.setSize({ width: this.wide(), height: plot.height });
    queueMicrotask(() => this.show(this.at_s));
  }

  causes() {
    if (!this.film.alarms.length) return h('p', {}, t('film_no_alarm'));
    return h('ol', { class: 'causes', 'aria-label': t('film_alarms') }, this.film.alarms.map((alarm, at) => h('li', {},
      button(`⚠ ${at + 1} · ${tenths(alarm.t_s)}`, () => this.goTo(alarm.t_s), '', { 'data-alarm': alarm.name }),
      h('p', {}, h('strong', {}, this.causeOf(alarm)), ' ', sentence(alarm.first)),
      guideLink(`alarms/${alarm.name}`, t('alarm_guide')))));
  }

  // From the list below: the plots come back into sight.
  goTo(seconds) {
    this.show(seconds);
    this.element.parentElement.scrollIntoView({ block: 'start' });
  }

  causeOf(alarm) {
    return sentence(alarm.text);
  }

  wide() {
    return Math.max(200, this.strips.clientWidth);
  }

  // The four plots, one below the other; the last has the numbers of the time axis.
  drawn() {
    const { film } = this;
    const level = (value) => film.t_s.map(() => value);
    const as = (name, kind) => film[name].map((value) => (value === null ? null : converted(value, kind)));
    const line = (stroke, width, dash) => ({ stroke: () => colour(stroke), width, dash, pxAlign: 0, points: { show: false } });
    const limits = [['ceiling_kpa', 'faint', 'ceiling'], ['trip_kpa', 'alarm', 'trip']].filter(([name]) => name in film);
    const dashed = limits.map(([name, stroke]) => ({ values: level(converted(film[name], 'pressure')), ...line(stroke, 2, [4, 6]) }));
    const relays = rowsOf(film.relays);
    const edge = line('liquid', 1);
    const pressure = [
      { values: as('high_kpa', 'pressure'), ...edge }, { values: as('low_kpa', 'pressure'), ...edge },
      ...dashed, { values: as('line_kpa', 'pressure'), ...line('link', 1.5) }, { values: as('tyre_kpa', 'pressure'), ...line('ink', 2.5) },
    ];
    const litres = [
      { values: level(converted(film.target_l, 'volume')), ...line('faint', 2, [4, 6]) }, { values: as('in_tyre_l', 'volume'), ...line('ink', 2.5) },
    ];
    const [tall, mid, low] = matchMedia('(min-width: 900px)').matches ? HIGH : LOW;
    const key = (kind, name) => h('span', { class: `swatch ${kind}` }, t(name));
    const bands = [{ series: [1, 2], fill: () => colour('liquid') }];
    return [
      this.strip(`${t('pressure')}, ${unit('pressure')}`, [key('line', 'film_line'), key('tyre', 'film_tyre'), ...limits.map(([, stroke, name]) => key(`dash ${stroke}`, name))], tall, film.t_s, pressure, { bands, first: true }),
      this.strip(`${t('flow')}, ${unit('flow')}`, [], mid, film.t_s, [{ values: as('flow_lps', 'flow'), ...line('ink', 1.5) }]),
      this.strip(`${t('in_the_tyre')}, ${unit('volume')}`, [key('dash faint', 'film_target')], low, film.t_s, litres),
      this.strip(t('film_relays'), [], 30 + ROW * (relays.length - 1), relays[0], relays.slice(1).map((values) => ({ values, ...line('ink', 8) })), { rows: Object.keys(film.relays) }),
    ];
  }

  strip(title, keys, height, times, series, { bands, first = false, rows } = {}) {
    const place = h('div', { role: 'img', 'aria-label': title });
    this.strips.append(h('h3', {}, title, keys), place);
    const axis = { stroke: () => colour('ink'), grid: { stroke: () => colour('soft'), width: 1 }, font: FONT };
    const none = () => null;
    const plot = new this.Plot({
      width: this.wide(), height, bands, legend: { show: false }, padding: [6, 8, 0, 0],
      cursor: { y: false, drag: { x: false, y: false }, points: { show: false },
        bind: { mousedown: none, mouseup: none, click: none, dblclick: none, mousemove: none, mouseleave: none, mouseenter: none } },
      scales: { x: { time: false, range: [0, this.end_s || 1] }, ...(rows ? { y: { dir: -1, range: [-0.85, rows.length - 0.7] } } : {}) },
      axes: [
        rows ? { ...axis, size: 28, values: (_, all) => all.map(minutes), ticks: { show: false }, space: 70, incrs: [1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600] }
          : { ...axis, size: 4, values: (_, all) => all.map(() => ''), ticks: { show: false }, space: 70, incrs: [1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600] },
        rows ? { ...axis, size: AXIS, values: (_, all) => all.map(() => ''), ticks: { show: false }, grid: { show: false } }
          : { ...axis, size: AXIS, space: 26, ticks: { show: false } },
      ],
      series: [{}, ...series.map(({ values, ...look }) => look)],
      hooks: { draw: [(drawn) => this.marked(drawn, first, rows)] },
    }, [times, ...series.map(({ values }) => values)], place);
    this.scrubbed(plot);
    return plot;
  }

  // Alarms as lines through all plots, with their number in the first one; the names of relays above their bars.
  marked(plot, first, rows) {
    const { ctx, bbox } = plot;
    const scale = devicePixelRatio;
    ctx.save();
    ctx.font = FONT.replace('13px', `${13 * scale}px`);
    ctx.fillStyle = colour('ink');
    ctx.textBaseline = 'alphabetic';
    ctx.textAlign = 'left';
    for (const [row, name] of (rows || []).entries()) {
      ctx.fillText(t(`output.${name}`), bbox.left + 3 * scale, plot.valToPos(row, 'y', true) - 7 * scale);
    }
    ctx.strokeStyle = colour('alarm');
    ctx.lineWidth = 2 * scale;
    const places = this.film.alarms.map((alarm) => plot.valToPos(alarm.t_s, 'x', true));
    for (const x of places) {
      ctx.beginPath();
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x, bbox.top + bbox.height);
      ctx.stroke();
    }
    if (first) this.numbered(ctx, bbox, places, scale);
    ctx.restore();
  }

  // Each number beside its line; one that would stand on the number before goes below it.
  numbered(ctx, bbox, places, scale) {
    let row = 0;
    for (const [at, x] of places.entries()) {
      const text = `⚠ ${at + 1}`;
      const wide = ctx.measureText(text).width + 6 * scale;
      row = x - places[at - 1] < wide + 4 * scale ? row + 1 : 0;
      const [left, top] = [x - wide < bbox.left ? x + 2 * scale : x - wide - 2 * scale, bbox.top + 16 * row * scale];
      ctx.fillStyle = colour('paper');
      ctx.fillRect(left, top, wide, 16 * scale);
      ctx.fillStyle = colour('alarm');
      ctx.fillText(text, left + 3 * scale, top + 13 * scale);
    }
  }

  // A finger on a plot moves the cursor; up and down it still scrolls the page.
  scrubbed(plot) {
    const move = (event) => this.show(plot.posToVal(event.clientX - plot.over.getBoundingClientRect().left, 'x'));
    plot.over.addEventListener('pointerdown', (event) => {
      plot.over.setPointerCapture(event.pointerId);
      move(event);
    });
    plot.over.addEventListener('pointermove', (event) => event.buttons && move(event));
  }

  show(seconds) {
    const { film } = this;
    this.at_s = Math.min(this.end_s, Math.max(0, seconds));
    for (const plot of this.plots) plot.setCursor({ left: plot.valToPos(this.at_s, 'x'), top: 0 });
    this.range.value = this.at_s;
    const at = (name) => valueAt(film.t_s, film[name], this.at_s);
    const [, , state, phase] = film.steps[placeOf(film.steps.map(([from]) => from), this.at_s)];
    const step = state === 'running' ? t(`step.${phase}`) : t(`state.${state}`);
    const on = onAt(film.relays, this.at_s).map((name) => t(`output.${name}`)).join(', ');
    // Of alarms at the same moment the first one is what the rest followed from.
    const latest = film.alarms.filter((alarm) => alarm.t_s <= this.at_s + 0.005).pop();
    const told = film.alarms.find((alarm) => alarm.t_s === latest?.t_s);
    const words = [
      `${tenths(this.at_s)} · ${step}`,
      t('film_figures', { volume: shown(at('in_tyre_l'), 'volume'), flow: shown(at('flow_lps'), 'flow') }),
      t(at('tyre_kpa') === null ? 'film_pressure' : 'film_pressures', {
        line: shown(at('line_kpa'), 'pressure'), tyre: bare(at('tyre_kpa'), 'pressure'),
        low: bare(at('low_kpa'), 'pressure'), high: bare(at('high_kpa'), 'pressure'), unit: unit('pressure') }),
      on ? t('film_on', { on }) : t('film_off'),
      told ? `⚠ ${tenths(told.t_s)} ${known(`cause.${told.name}`, sentence(told.text))}` : '',
    ];
    words.forEach((text, place) => say(this.words[place], text));
    this.range.setAttribute('aria-valuetext', words.filter(Boolean).join('. '));
  }
}
