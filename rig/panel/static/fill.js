// A fill under way: one thing to do on top, then what is in the tyre, the wheel, the pressure, the strip chart.

import { hush, hushed } from './alarm.js';
import { chart } from './chart.js';
import { Slot, button, h, holdButton, say } from './dom.js';
import { Gauge } from './gauge.js';
import { act, get } from './net.js';
import { takeControls } from './ready.js';
import { shown } from './units.js';
import { Wheel } from './wheel.js';
import { known, t } from './words.js';

const CHART_MS = 1000;

export class FillScreen {
  constructor(app) {
    this.app = app;
    this.rows = [];
    this.drawn = 0;
    this.cannot = new Slot();
    this.alarm = new Slot();
    this.todo = new Slot('div', { id: 'todo' });
    this.step = h('h2', { class: 'step', id: 'step' });
    this.next = h('p');
    this.left = h('p', { class: 'left' });
    this.net = h('output', { class: 'net', id: 'net' });
    this.of = h('p', { class: 'of' });
    this.age = h('p', { class: 'age', role: 'status' });
    this.bar = h('progress', { max: 1, value: 0, 'aria-label': t('in_the_tyre') });
    this.flow = h('dd');
    this.pressure = h('dd');
    this.line = h('dd');
    this.wheel = new Wheel('', 0);
    this.gauge = new Gauge();
    // An open vessel has no wheel to draw.
    this.drawing = h('section', { class: 'card picture', hidden: true }, this.wheel.element);
    this.strip = h('div', { class: 'strips' });
    this.title = h('p', { class: 'what' });
    const figure = (name, value) => h('div', {}, h('dt', {}, t(name)), value);
    this.element = h('div', { class: 'filling' },
      h('div', { class: 'side' }, this.cannot.element, this.alarm.element,
        h('section', { class: 'card now' }, this.title, this.step, this.next, this.left, this.todo.element),
        h('section', { class: 'card' }, this.age, this.net, this.of, this.bar,
          h('dl', { class: 'figures' }, figure('flow', this.flow), figure('tyre', this.pressure), figure('line', this.line)),
          this.gauge.element)),
      h('div', { class: 'side' },
        this.drawing,
        h('section', { class: 'card' }, this.strip)));
    this.regain();
  }

  // What passed before this page looked, or while it had lost sight of the rig.
  regain() {
    get('/api/trace').then((trace) => { this.rows = trace.rows; }).catch(() => {});
  }

  update(picture) {
    const fill = picture.fill;
    if (!fill) return;
    const running = fill.state === 'running';
    const cooling = fill.cooling_s !== null;
    const step = running ? `step.${cooling ? 'cooling' : fill.phase}` : `state.${fill.state}`;
    say(this.title, [fill.size, fill.position && known(`position.${fill.position}`, fill.position), fill.fluid, fill.job].filter(Boolean).join(' · '));
    say(this.step, t(step));
    const minutes = Math.max(1, Math.ceil(fill.cooling_s / 60));
    say(this.next, running ? t(`next.${cooling ? 'cooling' : fill.phase}`, { minutes }) : '');
    say(this.left, running && fill.left_s > 0 ? t('left', { minutes: Math.max(1, Math.ceil(fill.left_s / 60)) }) : '');
    // Out of a wheel the count goes below zero; what came out is what is told.
    const moved = fill.into === 'tote' ? -fill.in_tyre_l : fill.in_tyre_l;
    say(this.net, shown(moved, 'volume'));
    say(this.of, t(`of_target.${fill.into}`, { target: shown(fill.target_l, 'volume') }));
    this.bar.value = Math.min(1, Math.max(0, moved / fill.target_l));
    say(this.flow, shown(fill.flow_lps, 'flow'));
    const old = fill.tyre_age_s >= 3 && !fill.outputs.includes('pump_run') ? ` · ${Math.round(fill.tyre_age_s)} s` : '';
    say(this.pressure, fill.tyre_kpa === null ? t('read_at_rest') : shown(fill.tyre_kpa, 'pressure') + old);
    say(this.line, shown(fill.line_kpa, 'pressure'));
    this.gauge.show(fill);
    say(this.age, fill.figures_age_s ? t('figures_old', { seconds: fill.figures_age_s }) : '');
    this.element.classList.toggle('old', Boolean(fill.figures_age_s));
    this.draw(fill);
    this.trace(fill);
    this.cannot.show(JSON.stringify([fill.cannot?.supply_cut, fill.cannot?.outputs, this.app.drives]), () => fill.cannot && this.cannotCard(fill.cannot));
    this.alarm.show(JSON.stringify([fill.alarm]), () => fill.alarm && this.alarmCard(fill));
    const key = JSON.stringify([fill.state, fill.prompt, fill.missing, fill.presses, fill.other_measure, this.app.drives, fill.checks.length, fill.cautions, picture.driver?.name]);
    // What wants a person comes into sight by itself, wherever the page was scrolled to.
    if (key !== this.todo.key && (fill.prompt || fill.alarm || fill.missing.length || fill.presses.includes('resume'))) scrollTo(0, 0);
    this.todo.show(key, () => this.acts(fill));
  }

  draw(fill) {
    if (!fill.wheel) return;
    const key = JSON.stringify([fill.wheel.outer_m, fill.wheel.valve_at]);
    const aim = (fill.existing_l + fill.target_l) / fill.cavity_l;
    if (key !== this.wheelKey) {
      this.wheelKey = key;
      this.wheel.draw(fill.wheel, aim);
      this.drawing.hidden = false;
    }
    const label = t('wheel_label', { now: shown(fill.existing_l + fill.in_tyre_l, 'volume'), percent: Math.round(100 * fill.filled), clock: fill.valve_at });
    this.wheel.fill(fill.filled, fill.outputs[0] || '', label);
  }

  trace(fill) {
    const last = this.rows[this.rows.length - 1];
    if (fill.t_s && (!last || fill.t_s - last[0] >= 1)) this.rows.push([fill.t_s, fill.in_tyre_l, fill.flow_lps, fill.tyre_kpa]);
    if (this.rows.length > 1200) this.rows = this.rows.filter((_, index) => index % 2 === 0);
    if (performance.now() - this.drawn < CHART_MS) return;
    this.drawn = performance.now();
    this.strip.replaceChildren(chart(this.rows, { volume: [fill.target_l], pressure: [fill.floor_kpa, fill.ceiling_kpa] }));
  }

  // Outputs that may be on, and that nobody here can switch off: above everything else, until a person has cut the supply.
  cannotCard({ outputs, text, first, supply_cut: cut }) {
    const say = () => this.app.send(act('supply_cut'));
    return h('section', { class: 'alarm', role: 'alert', id: 'cannot' },
      h('h2', {}, h('span', { 'aria-hidden': 'true' }, '⚠ '), cut ? t('supply_is_cut') : known('alarm.off_unconfirmed.text', text)),
      h('p', {}, t('may_be_on'), ' ', outputs.map((name) => t(`output.${name}`)).join(', ')),
      cut ? null : h('p', { class: 'huge' }, known('alarm.off_unconfirmed.first', first)),
      !cut && this.app.drives ? holdButton(t('supply_cut'), say, 'do', { id: 'supply_cut' }) : null);
  }

  alarmCard(fill) {
    const { name, text, first, figures, followers } = fill.alarm;
    return h('section', { class: 'alarm', role: 'alert' },
      h('h2', {}, h('span', { 'aria-hidden': 'true' }, '⚠ '), t('stopped_because'), ' ', known(`alarm.${name}.text`, text)),
      h('p', { class: 'huge' }, h('strong', {}, t('first')), ' ', known(`alarm.${name}.first`, first)),
      figures ? h('p', {}, figures) : null,
      followers.length ? h('p', {}, t('then_came'), ' ', followers.map((each) => known(`alarm.${each.name}.text`, each.text)).join(' ')) : null,
      button(t(hushed() ? 'quiet_now' : 'quiet'), (event) => { hush(); say(event.target, t('quiet_now')); }, 'plain', { id: 'quiet' }));
  }

  acts(fill) {
    if (!this.app.drives) return [fill.prompt ? h('p', { class: 'huge' }, known(`prompt.${fill.prompt.name}`, fill.prompt.text)) : null, takeControls(this.app)];
    const send = (operation, name) => this.app.send(act(operation, name));
    const found = [];
    found.push(...fill.cautions.map((text) => h('p', { class: 'missing' }, h('span', { 'aria-hidden': 'true' }, '⚠ '), text)));
    if (fill.state === 'idle') found.push(...this.notStarted(fill, send));
    if (fill.missing.length && fill.state !== 'idle') found.push(this.missing(fill));
    if (fill.prompt) {
      found.push(h('p', { class: 'huge', id: 'prompt' }, known(`prompt.${fill.prompt.name}`, fill.prompt.text)),
        holdButton(t(`done.${fill.prompt.name}`), () => send('answer', fill.prompt.name), 'do', { id: 'prompt-done' }));
    }
    if (this.app.rig.lever_tells && fill.state === 'running') {
      found.push(button(t('lever_forward'), () => send('answer', 'lever_forward')), button(t('lever_back'), () => send('answer', 'lever_back')));
    }
    const kinds = { resume: 'do', reset: 'do', end: '' };
    for (const press of fill.presses.filter((each) => each in kinds)) {
      found.push(holdButton(t(press), () => send(press), kinds[press] || 'plain', { id: press }));
    }
    if (fill.other_measure) {
      found.push(h('p', {}, t('meter_at_fault')), holdButton(t('next_measure', { measure: t(`measure.${fill.other_measure}`) }), () => send('next_measure'), 'plain', { id: 'next_measure' }));
    }
    return found;
  }

  missing(fill) {
    // What is asked below is answered there.
    const left = fill.missing.filter((each) => !fill.checks.some((check) => check.name === each.name));
    if (!left.length) return null;
    return h('div', { class: 'missing', role: 'alert' }, h('h3', {}, t('not_ready')), h('ul', {}, left.map((each) => h('li', {}, known(`missing.${each.name}`, each.text)))));
  }

  notStarted(fill, send) {
    const asked = fill.checks.length ? h('ul', {}, fill.checks.map((each) => h('li', {}, known(`check.${each.name}`, each.text)))) : null;
    const start = async () => {
      for (const each of fill.checks) await send('confirm', each.name);
      await send('start');
    };
    return [
      fill.missing.length ? this.missing(fill) : h('p', {}, t(this.app.rig.start_button ? 'press_at_gun' : 'reading_first')),
      asked,
      fill.missing.length || asked ? holdButton(asked ? t('all_so_start') : t('try_again'), start, 'do', { id: 'start' }) : null,
      button(t('leave'), () => send('leave'), 'plain', { id: 'leave' }),
    ];
  }
}

