// A fill under way in one fixed frame: figure, pressure, wheel, what is to be done, and further keys. Nothing scrolls, and
// nothing changes its place from one state to the next; what is looked up lies on a sheet.

import { hush, hushed } from './alarm.js';
import { chart } from './chart.js';
import { Sheet, Slot, button, guideLink, h, holdButton, say } from './dom.js';
import { beads } from './frame.js';
import { Figure, Gauge } from './gauge.js';
import { act, get, me } from './net.js';
import { Groups, takeControls } from './ready.js';
import { bare, language, shown, unit } from './units.js';
import { Wheel } from './wheel.js';
import { sentence, t } from './words.js';

const CHART_MS = 1000;
const FLOWS_LPS = 0.02; // Less is not seen to move.
// Alarms whose figure is a pressure: it is the large one then.
const OF_PRESSURE = ['pressure_high', 'line_high', 'pressure_low', 'arrival_high', 'bead_lost', 'gauge_stuck', 'gauge_restless', 'moves_while_off', 'no_rise', 'air_stays', 'air_gone'];
// Alarms in which the meter itself may be at fault.
const OF_METER = ['reading_untrusted', 'meter_jumped', 'no_flow', 'estimates_disagree', 'flow_too_high', 'measures_differ', 'reverse_flow', 'overfill', 'flow_while_stopped'];

export class FillScreen {
  constructor(app) {
    this.app = app;
    this.rows = [];
    this.drawn = 0;
    this.groups = new Groups(app);
    this.age = h('p', { class: 'age', role: 'status' });
    this.litres = new Figure('litres', 'net');
    this.tyre = new Figure('pressure', 'tyre');
    this.big = new Slot('section', { class: 'big' });
    this.small = new Slot('div', { class: 'small' });
    this.gauge = new Gauge();
    this.wheel = new Wheel('', 0);
    this.todo = new Slot('section', { class: 'tell now', id: 'todo' });
    this.second = new Slot('div', { class: 'second' });
    this.flow = h('dd');
    this.line = h('dd');
    this.strip = h('div', { class: 'strips' });
    this.more = new Slot();
    const figure = (name, value) => h('div', {}, h('dt', {}, t(name)), value);
    this.sheet = new Sheet(h('dl', { class: 'figures' }, figure('flow', this.flow), figure('line', this.line)), this.more.element, this.strip);
    // An open vessel has no wheel to draw.
    this.drawing = h('section', { class: 'picture' }, this.wheel.element);
    this.wheel.element.setAttribute('hidden', '');
    this.element = h('div', { class: 'frame filling' }, this.big.element,
      h('section', { class: 'press' }, this.small.element, this.gauge.element),
      this.drawing, this.todo.element, this.second.element, this.sheet.element);
    this.regain();
  }

  // What passed before this page looked, or while it had lost sight of the rig.
  regain() {
    get('/api/trace').then((trace) => { this.rows = trace.rows; }).catch(() => {});
  }

  update(picture) {
    const fill = picture.fill;
    if (!fill) return;
    // Out of a wheel the count goes below zero; what came out is what is told.
    const moved = fill.into === 'tote' ? -fill.in_tyre_l : fill.in_tyre_l;
    this.litres.show(bare(moved, 'volume'), unit('volume'), t(`of_target.${fill.into}`, { target: shown(fill.target_l, 'volume') }));
    const old = fill.tyre_age_s >= 3 && !fill.outputs.includes('pump_run');
    // An open vessel has no pressure of its own.
    const vessel = fill.into === 'open vessel';
    const line = vessel || fill.alarm?.name === 'line_high';
    const kpa = line ? fill.line_kpa : fill.tyre_kpa;
    this.tyre.show(bare(kpa, 'pressure'), unit('pressure'), line ? t('line') : kpa === null ? t('read_at_rest') : old ? t('seconds_old', { seconds: Math.round(fill.tyre_age_s) }) : t('tyre'));
    const tripped = OF_PRESSURE.includes(fill.alarm?.name);
    this.big.show(tripped, () => [tripped ? this.tyre.element : this.litres.element, this.age]);
    this.small.show(tripped, () => tripped ? this.litres.element : this.tyre.element);
    this.gauge.element.hidden = vessel;
    this.gauge.show(fill, old);
    say(this.flow, shown(fill.flow_lps, 'flow'));
    say(this.line, shown(fill.line_kpa, 'pressure'));
    say(this.age, fill.figures_age_s ? t('figures_old', { seconds: fill.figures_age_s }) : '');
    this.element.dataset.fill = fill.id;
    this.element.classList.toggle('old', Boolean(fill.figures_age_s));
    this.draw(fill);
    this.trace(fill);
    this.groups.take(fill.id, fill.checks);
    this.tell(fill);
    const byHand = this.app.rig.by_hand || fill.phase === 'by-hand';
    this.second.show(JSON.stringify([fill.state, fill.phase, fill.presses, Boolean(fill.alarm), this.app.drives]), () => this.further(fill, byHand));
    this.more.show(JSON.stringify([fill.alarm, fill.cautions, fill.other_measure, this.app.drives]), () => this.lookedUp(fill));
  }

  draw(fill) {
    if (!fill.wheel) return;
    const key = JSON.stringify([fill.wheel.outer_m, fill.wheel.valve_at]);
    const aim = (fill.existing_l + fill.target_l) / fill.cavity_l;
    if (key !== this.wheelKey) {
      this.wheelKey = key;
      this.wheel.draw(fill.wheel, aim);
      this.wheel.element.removeAttribute('hidden');
    }
    const label = t('wheel_label', { now: shown(fill.existing_l + fill.in_tyre_l, 'volume'), percent: Math.round(100 * fill.filled), clock: fill.valve_at });
    this.app.drawn = { id: fill.id, wheel: fill.wheel, aim, filled: fill.filled, label };
    this.wheel.fill(fill.filled, fill.outputs[0] || '', label, Math.abs(fill.flow_lps ?? 0) > FLOWS_LPS);
  }

  trace(fill) {
    const last = this.rows[this.rows.length - 1];
    if (fill.t_s && (!last || fill.t_s - last[0] >= 1)) this.rows.push([fill.t_s, fill.in_tyre_l, fill.flow_lps, fill.tyre_kpa]);
    if (this.rows.length > 1200) this.rows = this.rows.filter((_, index) => index % 2 === 0);
    if (!this.sheet.open || performance.now() - this.drawn < CHART_MS) return;
    this.drawn = performance.now();
    this.strip.replaceChildren(chart(this.rows, { volume: [fill.target_l], pressure: [fill.floor_kpa, fill.ceiling_kpa] }));
  }

  // --- what is to be done ---

  tell(fill) {
    const minutes = Math.max(1, Math.ceil(fill.left_s / 60));
    const cooling = Math.max(1, Math.ceil(fill.cooling_s / 60));
    const cannot = fill.cannot && [fill.cannot.supply_cut, fill.cannot.outputs];
    const key = JSON.stringify([fill.state, fill.phase, fill.prompt, fill.missing, fill.alarm, cannot, minutes, cooling, this.groups.key(), fill.held_for]);
    this.todo.show(key, () => this.said(fill, minutes, cooling));
    const { element } = this.todo;
    // What is too long for its place at this size of text can be reached by key.
    element.tabIndex = element.scrollHeight > element.clientHeight + 1 ? 0 : -1;
  }

  said(fill, minutes, cooling) {
    if (fill.alarm && !fill.cannot) return this.alarm(fill, this.missing(fill, null));
    const missing = this.missing(fill);
    if (fill.cannot) return [this.cannot(fill.cannot), missing];
    if (fill.prompt) return h('p', { class: 'ask', id: 'prompt', 'data-part': 'next' }, sentence(fill.prompt.text));
    if (fill.state === 'idle') return this.ready(fill, missing);
    if (missing) return missing;
    if (fill.state === 'held') return h('p', { class: 'ask', 'data-part': 'next' }, t('next.held'));
    const running = fill.state === 'running';
    const at = new Date(Date.now() + 60000 * minutes).toLocaleTimeString(language, { timeStyle: 'short' });
    return h('p', { class: 'next', 'data-part': 'next' },
      running && fill.left_s > 0 && fill.cooling_s === null ? h('strong', {}, `${t('left', { minutes, at })} `) : null,
      running ? t(`next.${fill.cooling_s !== null ? 'cooling' : fill.into === 'open vessel' ? 'vessel' : fill.phase}`, { minutes: cooling }) : t('next.stopping'));
  }

  // Outputs that may be on, and that nobody here can switch off, until a person has cut the supply.
  cannot({ outputs, text, first, supply_cut: cut }) {
    return h('div', { class: 'alarm', role: 'alert', id: 'cannot' },
      h('h2', { 'data-part': 'cause' }, cut ? t('supply_is_cut') : sentence(text)),
      cut ? null : h('p', { 'data-part': 'first-action' }, sentence(first)),
      h('p', {}, t('may_be_on'), ' ', outputs.map((name) => t(`output.${name}`)).join(', ')));
  }

  // The cause in a few words, and the first act under it; after a refused reset, what still stands. What is likely behind a
  // hold stands here where there is room; else, and after a trip, it is on the sheet.
  alarm(fill, missing) {
    const { name, first, likely, trip } = fill.alarm;
    return h('div', { class: 'alarm', role: 'alert' },
      h('h2', { 'data-part': 'cause' }, t(`cause.${name}`)),
      missing || h('p', { 'data-part': 'first-action' }, sentence(first)),
      likely && !trip ? h('p', { id: 'likely' }, sentence(likely)) : null);
  }

  missing(fill, role = 'alert') {
    // What is asked below is answered there.
    const left = fill.missing.filter((each) => !fill.checks.some((check) => check.name === each.name));
    if (!left.length) return null;
    return h('div', { class: 'missing', role, 'data-part': 'first-action' }, h('h3', {}, t('not_ready')), h('ul', {}, left.map((each) => h('li', {}, sentence(each.text)))));
  }

  ready(fill, missing) {
    if (!this.app.drives || (missing && !fill.checks.length)) return missing || h('p', { class: 'next', 'data-part': 'next' }, t('reading_first'));
    if (fill.checks.length) return [this.groups.questions(), missing];
    return h('p', { class: 'next', 'data-part': 'next' }, t(this.app.rig.start_button ? 'press_at_gun' : 'reading_first'));
  }

  // --- keys ---

  // The one next act, beside STOP.
  rail(fill) {
    if (!me.name) return null;
    const key = JSON.stringify([fill.id, fill.state, fill.prompt?.name, fill.presses, fill.missing.length, Boolean(fill.cannot && !fill.cannot.supply_cut), this.groups.key(), this.app.drives, this.app.picture.driver?.name]);
    return [key, () => this.app.drives ? this.next(fill) : takeControls(this.app)];
  }

  next(fill) {
    const send = (operation, name) => this.app.send(act(operation, name));
    const hold = (id, text, done) => holdButton(text, done, 'do', { id, 'data-part': 'act' });
    if (fill.cannot && !fill.cannot.supply_cut) return hold('supply_cut', t('supply_cut'), () => send('supply_cut'));
    for (const press of ['resume', 'reset']) if (fill.presses.includes(press)) return hold(press, t(press), () => send(press));
    if (fill.state === 'idle') return this.start(fill, send, hold);
    if (fill.prompt) return this.done(fill.prompt, send, hold);
    return fill.presses.includes('hold') ? button(t('hold'), () => send('hold'), 'wait', { 'data-part': 'hold' }) : null;
  }

  // Held where the rig moves next or the wheel is open; off a closed valve the gun comes without either.
  done({ name, text }, send, hold) {
    const press = () => send('answer', name);
    return text.key === 'prompt.gun_off' ? button(t(`done.${name}`), press, 'do', { id: 'prompt-done', 'data-part': 'act' }) : hold('prompt-done', t(`done.${name}`), press);
  }

  start(fill, send, hold) {
    const begin = async () => {
      for (const each of fill.checks) await send('confirm', each.name);
      await send('start');
    };
    if (fill.checks.length) return this.groups.act(() => hold('start', t('all_so_start'), begin));
    return fill.missing.length ? hold('start', t('try_again'), begin) : null;
  }

  // The keys for what is not the next act; while the rig works, the plan stands in their place.
  further(fill, byHand) {
    const send = (operation, name) => this.app.send(act(operation, name));
    const { drives } = this.app;
    const running = fill.state === 'running' || fill.state === 'restarting';
    return [
      running && !(drives && this.app.rig.lever_tells) ? beads(fill, byHand) : null,
      running && drives && this.app.rig.lever_tells ? [button(t('lever_forward'), () => send('answer', 'lever_forward')), button(t('lever_back'), () => send('answer', 'lever_back'))] : null,
      drives && fill.state === 'idle' ? button(t('leave'), () => send('leave'), 'plain', { id: 'leave' }) : null,
      drives && fill.presses.includes('end') ? holdButton(t('end'), () => send('end'), 'plain', { id: 'end' }) : null,
      fill.alarm ? button(t(hushed() ? 'quiet_now' : 'quiet'), (event) => { hush(); say(event.target, t('quiet_now')); }, 'plain', { id: 'quiet' }) : null,
      this.sheet.opener,
    ].flat();
  }

  // On the sheet: the alarm whole, its entry in the guide, another measure where the meter is in doubt.
  lookedUp(fill) {
    const { alarm } = fill;
    const doubted = alarm && OF_METER.includes(alarm.name) && fill.other_measure && this.app.drives;
    return [
      ...fill.cautions.map((text) => h('p', { class: 'missing' }, h('span', { 'aria-hidden': 'true' }, '⚠ '), sentence(text))),
      alarm ? h('p', { class: 'huge' }, sentence(alarm.text)) : null,
      alarm ? h('p', {}, h('strong', {}, t('first')), ' ', sentence(alarm.first)) : null,
      alarm?.likely ? h('p', {}, sentence(alarm.likely)) : null,
      alarm?.figures ? h('p', {}, sentence(alarm.figures)) : null,
      alarm?.followers.length ? h('p', {}, t('then_came'), ' ', alarm.followers.map((each) => sentence(each.text)).join(' ')) : null,
      alarm || fill.cannot ? guideLink(`alarms/${fill.cannot ? 'off_unconfirmed' : alarm.name}`, t('alarm_guide')) : null,
      doubted ? h('p', {}, t('meter_at_fault')) : null,
      doubted ? holdButton(t('next_measure', { measure: t(`measure.${fill.other_measure}`) }), () => this.app.send(act('next_measure')), 'plain', { id: 'next_measure' }) : null,
    ];
  }
}
