// Which wheel: one touch for a wheel of the shop or the same as last, or a size that is typed.

import { Slot, button, h } from './dom.js';
import { Jobs } from './jobs.js';
import { load } from './late.js';
import { me, post } from './net.js';
import { otherWork } from './other.js';
import { Ready } from './ready.js';
import { bare, shown, unit } from './units.js';
import { ShopWheels, sized } from './wheels.js';
import { sentence, t } from './words.js';

export const POSITIONS = ['rear left', 'rear right', 'front left', 'front right'];
const CLOCKS = ['12', '9', '8', '6', '4', '3'];

export class PickScreen {
  constructor(app) {
    this.app = app;
    this.ready = null;
    this.form = { position: 'rear left', support: 'jacked', ...(app.form || {}) };
    this.body = new Slot('div', { class: 'columns' });
    this.jobs = new Jobs(app, (form) => this.ask({ ...form, support: this.form.support }));
    this.shop = new ShopWheels((wheel) => this.ask({ ...this.form, wheel, size: '', valve_at: '', target: '', holds: '', holds_fluid: '', job: '' }));
    this.live = new Slot('div', { class: 'live' });
    this.waiting = new Slot();
    this.notice = new Slot();
    this.element = h('div', {}, this.notice.element, this.waiting.element, this.body.element, this.live.element);
    if (app.asked && me.name) this.offer(app.asked.form, app.asked.answer);
    else this.show();
  }

  offer(form, answer) {
    this.form = form;
    this.app.asked = { form, answer };
    this.ready = new Ready(this.app, form, answer, () => { this.app.asked = null; this.ready = null; this.show(); this.app.render(); }, () => this.choices());
    this.show();
  }

  show() {
    this.body.key = null;
    this.element.classList.toggle('asked-of', Boolean(this.ready));
    this.body.show('now', () => this.ready ? this.ready.element
      : [h('div', {}, this.jobs.element, this.wheels()), h('div', {}, this.typed(), otherWork(this.app))]);
  }

  wheels() {
    const { form } = this.app;
    const last = form && (form.wheel || form.size);
    return h('section', { class: 'card' }, h('h2', {}, t('which_wheel')),
      last ? h('div', { class: 'tiles' }, button(t('same_as_last', { wheel: last }), () => this.ask({ ...this.form, ...form }), 'tile do', { id: 'same' })) : null,
      this.shop.element,
      this.tag(),
      this.choices());
  }

  tag() {
    const camera = h('input', { type: 'file', accept: 'image/*', capture: 'environment', id: 'tag', onchange: () => this.readTag(camera) });
    return h('label', { class: 'chip' }, camera, h('span', {}, t('read_tag')));
  }

  async readTag(camera) {
    const [photograph] = camera.files;
    if (!photograph) return;
    const read = await this.app.send(load('tag').then((tag) => tag.read(photograph)));
    camera.value = '';
    if (!read) return;
    const { says, ...wheel } = read;
    await this.ask({ ...this.form, ...wheel, wheel: '', valve_at: '', target: '', job: '' });
    this.app.say(sentence(says));
  }

  // Where the wheel sits and how the machine stands: a touch only where it differs from what is likely.
  choices() {
    const row = (name, legend, values, label) => h('fieldset', { class: 'chips' }, h('legend', {}, legend),
      values.map((value) => h('label', { class: 'chip' },
        h('input', { type: 'radio', name, value, checked: this.form[name] === value, onchange: () => this.change(name, value) }),
        h('span', {}, label(value)))));
    const measured = this.app.asked?.answer.measured;
    return h('div', { class: 'choices' },
      measured ? button(t('go_by_measured', { wheel: measured }), () => this.goBy(measured), 'wide', { id: 'measured' }) : null,
      row('position', t('position'), POSITIONS, (value) => t(`position.${value}`)),
      row('support', t('support'), ['jacked', 'ground'], (value) => t(`support.${value}`)));
  }

  change(name, value) {
    this.form[name] = value;
    if (!this.ready) return;
    const { form } = this.ready;
    // What was measured at one place is none of another one's.
    const other = name === 'position' && form.wheel && form.wheel === this.measured?.wheel ? { wheel: '', size: this.measured.size } : {};
    this.ask({ ...form, ...other, [name]: value });
  }

  goBy(wheel) {
    this.measured = { wheel, size: this.app.asked.answer.size };
    this.ask({ ...this.form, wheel, size: '' });
  }

  typed() {
    const field = (name, more = {}) => h('label', {}, t(`field.${name}`),
      h('input', { name, id: `field-${name}`, value: this.form[name] || '', placeholder: t(`example.${name}`), autocomplete: 'off', ...more }));
    const form = h('form', { onsubmit: (event) => { event.preventDefault(); this.ask({ ...this.form, ...Object.fromEntries(new FormData(form)), ...sized(form.size.value) }); } },
      field('size', { required: true, list: 'shop-wheels' }),
      h('label', {}, t('field.valve_at'), h('select', { name: 'valve_at' },
        CLOCKS.map((clock) => h('option', { value: clock, selected: clock === (this.form.valve_at || '12') }, t('clock', { clock }))))),
      h('details', {}, h('summary', {}, t('more_fields')),
        field('target'), field('fluid'), field('assay'), field('holds'), field('holds_fluid', { maxlength: 200, placeholder: t('example.holds_mix') }), field('coldest'), field('valve'), field('make'), field('job')),
      h('button', { class: 'do', id: 'ask' }, t('show_answer')));
    return h('section', { class: 'card' }, h('h2', {}, t('another_size')), form);
  }

  async ask(form) {
    const { position, support, wheel = '', size = '', valve_at = '', target = '', fluid = '', holds = '', holds_fluid = '', assay = '', coldest = '', valve = '', make = '', job = '', width = '', girth = '' } = form;
    this.form = { position, support, wheel, size, valve_at, target, fluid, holds, holds_fluid, assay, coldest, valve, make, job, width, girth };
    if (!me.name) {
      this.app.signing = true;
      this.app.render();
      return;
    }
    const answer = await this.app.send(post('/api/answer', this.form));
    if (!answer) return;
    this.app.ticks.clear();
    this.offer(this.form, answer);
    this.app.render();
  }

  rail() {
    return this.ready?.rail();
  }

  update(picture) {
    this.ready?.update();
    this.jobs.update();
    this.shop.update();
    this.notice.show(JSON.stringify(picture.notice), () => picture.notice ? h('div', { class: 'alarm', role: 'alert' }, h('h2', {}, t('not_done')), h('p', {}, sentence(picture.notice))) : null);
    this.waiting.show(JSON.stringify([picture.interrupted, this.app.drives]), () => picture.interrupted.map((each) => this.interrupted(each)));
    const live = picture.live;
    this.live.show(JSON.stringify([live, this.app.drives]), () => h('section', { class: 'card' }, h('h2', {}, t('rig_now')),
      live.reachable ? h('dl', { class: 'figures' },
        h('div', {}, h('dt', {}, t('line')), h('dd', {}, shown(live.line_kpa, 'pressure'))),
        h('div', {}, h('dt', {}, t('tote')), h('dd', {}, shown(live.tote_l ?? this.app.rig.tote_l, 'volume', 0), live.tote_l === null ? ` ${t('by_the_book')}` : '')),
        h('div', {}, h('dt', {}, t('fluid')), h('dd', {}, `${this.app.rig.fluid} ${bare(live.fluid_c, 'temperature')} ${unit('temperature')}`)),
        h('div', {}, h('dt', {}, t('estop')), h('dd', {}, live.estop_ok === null ? t('not_wired') : live.estop_ok ? t('estop_free') : t('estop_pressed'))))
        : h('p', { class: 'against' }, `${t('unreachable')} ${sentence(live.error)}`)));
  }

  interrupted(each) {
    const go = (kind) => this.app.order(kind, { fill_id: each.fill_id });
    return h('section', { class: 'card alarm' }, h('h2', {}, t('interrupted')),
      h('p', {}, t('interrupted_text', { size: each.size, position: each.position, inside: shown(each.in_tyre_l, 'volume'), target: shown(each.target_l, 'volume') })),
      this.app.drives ? [button(t('go_on'), () => go('go on'), 'do'), button(t('close_as_is'), () => go('close'))] : h('p', {}, t('driver_only')));
  }
}

