// A wheel is done: what went in, in the frame of its fill, and the next wheel of the machine one touch away.

import { After, ticket } from './after.js';
import { billIssue, billLook } from './bill.js';
import { chart } from './chart.js';
import { Sheet, Slot, button, h } from './dom.js';
import { Figure } from './gauge.js';
import { placeOf } from './jobs.js';
import { get, me, post } from './net.js';
import { pairPicture } from './pair.js';
import { bare, shown, unit } from './units.js';
import { Wheel } from './wheel.js';
import { sentence, t } from './words.js';

export class DoneScreen {
  constructor(app, record) {
    this.app = app;
    this.record = record;
    this.goOn = null;
    this.steps = new Slot('div');
    this.more = new Slot('div');
    this.sheet = new Sheet(this.more.element);
    const good = record.outcome === 'complete';
    const title = `${good ? '✓' : '■'} ${t(`outcome.${record.outcome}`)} ${[record.size, placeOf(record.position)].filter(Boolean).join(', ')}`;
    const pressure = new Figure('pressure', 'final');
    pressure.show(bare(record.final_static_kpa, 'pressure'), unit('pressure'), t(record.final_static_kpa === null ? 'not_read_at_end' : 'at_the_end'));
    this.second = new Slot('div', { class: 'second' });
    this.element = h('div', { class: 'frame done' },
      h('section', { class: 'big' }, this.moved()),
      h('section', { class: 'press' }, h('div', { class: 'small' }, pressure.element)),
      h('section', { class: 'picture' }, this.drawing() || []),
      h('section', { class: 'tell' }, h('h2', { id: 'outcome' }, title), this.steps.element),
      this.second.element, this.sheet.element);
    this.load();
  }

  // The wheel as it stood when the fill ended, where this page saw it.
  drawing() {
    const { drawn } = this.app;
    if (drawn?.id !== this.record.fill_id) return null;
    const wheel = new Wheel(drawn.label);
    wheel.draw(drawn.wheel, drawn.aim);
    wheel.fill(drawn.filled, '', drawn.label);
    return wheel.element;
  }

  // A figure in large only where the record knows it.
  moved() {
    const record = this.record;
    const counted = record.recovered_l ?? record.net_l;
    const [less, more] = [record.net_less_l ?? record.net_u_l, record.net_more_l ?? record.net_u_l];
    const [low, high] = record.recovered_l === undefined ? [counted - less, counted + more] : [counted - more, counted + less];
    const figures = {
      target: shown(record.target_l, 'volume'), mass: shown(Math.abs(record.fluid_mass_kg ?? record.mass_kg), 'mass'),
      counted: shown(counted, 'volume'), low: shown(Math.max(low, 0), 'volume'), high: shown(high, 'volume'),
      doubt: shown(record.net_u_l, 'volume'), basis: t(`basis.${record.net_basis}`),
    };
    if (record.delivery === 'known') {
      const net = new Figure('litres', 'net');
      net.show(bare(counted, 'volume'), unit('volume'), t('done_of', figures));
      return net.element;
    }
    const where = record.recovered_l !== undefined ? 'drawn' : record.valve ? 'tyre' : 'vessel';
    return [
      h('p', { class: 'ask', id: 'net', 'data-part': 'litres' }, t(`delivery.${where}`, { what: t(`delivery.${record.delivery}`) })),
      h('p', { class: 'of' }, t('delivery_of', figures)),
    ];
  }

  // The liquid in the wheel, with what it held before.
  mix() {
    const { mix, mix_unknown: why, mass_kg: mass, freeze_c: freeze } = this.record;
    const frost = freeze === null ? t('frost_unknown', { why: sentence(why) || t('not_known') }) : t('frost', { freeze: shown(freeze, 'temperature') });
    return t('mix_in_wheel', { mix, mass: mass === null ? t('not_known') : shown(mass, 'mass'), frost });
  }

  async load() {
    if (!me.name) return;
    const full = await get(`/api/fills/${this.record.fill_id}`).catch(() => null);
    if (!full) {
      // The book may be busy for a moment; what to do next must not be missing for that.
      setTimeout(() => this.element.isConnected && this.load(), 2000);
      return;
    }
    this.steps.show('now', () => h('ul', { class: 'soon', 'data-part': 'next' }, full.next.map((step) => h('li', {}, sentence(step)))));
    this.more.show('now', () => [
      full.pair ? pairPicture(full.pair) : null,
      this.record.mix ? h('p', { id: 'mix' }, this.mix()) : null,
      new After(this.app, full).element,
      h('details', {}, h('summary', {}, t('trace')), chart(full.trace, { volume: [this.record.target_l] })),
    ]);
    const form = this.app.form;
    const job = full.job ? await get(`/api/jobs/${encodeURIComponent(full.job)}`).catch(() => null) : null;
    const rinsed = ['rinse', 'divert'].includes(this.record.kind);
    const converted = job?.wheels[job.next]?.to ? job.job : rinsed && this.app.converting;
    const fill = this.record.kind === 'fill';
    if (fill && this.record.outcome !== 'complete') this.rest();
    else if (converted && me.name) this.convert(converted);
    else if (fill && form && me.name) this.then(full, form, job);
    else if (this.record.kind === 'rinse' && me.name) this.offer('divert', t('divert_now'), () => this.app.order('rinse', { start: false, rinse: { divert: true } }));
    this.app.render();
  }

  offer(id, text, press) {
    this.goOn = { id, text, press };
  }

  // A change of liquid goes on with its next step.
  convert(job) {
    this.offer('on-with-convert', t('on_with_convert'), () => {
      this.app.converting = job;
      this.app.dismiss();
      this.app.go('convert');
    });
  }

  // The next wheel of the job; without a job, the same on the other side.
  then(full, form, job) {
    if (job?.next === null && !job.away) {
      this.steps.show('all', () => [h('h3', { id: 'job-done' }, `✓ ${t('job_done', { job: job.job })}`), h('ul', { class: 'soon', 'data-part': 'next' }, full.next.map((step) => h('li', {}, sentence(step))))]);
      const path = `/api/jobs/${encodeURIComponent(job.job)}`;
      this.more.element.append(ticket(this.app, null, path));
      if (job.priced && !job.invoice) this.bill(path);
    } else if (job && !job.away) this.next({ ...job.wheels[job.next].form, support: form.support });
    else if (full.opposite && !full.pair) this.next({ ...form, position: full.opposite });
  }

  // Nothing is left but the bill, which comes first on the sheet; what has been issued is asked for no more.
  bill(path) {
    const issued = () => { bill.remove(); this.goOn = null; this.sheet.show(false); this.app.render(); };
    const bill = h('section', { class: 'card' }, h('h3', {}, t('issue_bill')), billIssue(this.app, path, issued), billLook(this.app, path));
    this.more.element.prepend(bill);
    this.offer('bill', t('bill_of_job'), () => this.sheet.show(true));
  }

  next(form) {
    this.offer('next-wheel', t('next_wheel', { place: placeOf(form.position) }), () => this.ask(form));
  }

  // What is still wanting after a fill that ended early.
  rest() {
    const wanting = this.record.target_l - this.record.net_l;
    if (wanting < 1 || !this.app.form || this.record.delivery === 'not known') return;
    const inside = this.record.existing_l + this.record.net_l;
    this.offer('rest', t('fill_the_rest', { volume: shown(wanting, 'volume') }), () => this.ask({
      ...this.app.form, target: `${wanting.toFixed(2)} L`, holds: `${Math.max(0, inside).toFixed(2)} L`, holds_fluid: this.record.mix_unknown ? '' : this.record.mix ?? '',
    }));
  }

  // Its ready check takes this screen's place.
  async ask(form) {
    const answer = await this.app.send(post('/api/answer', form));
    if (!answer) return;
    this.app.ticks.clear();
    this.app.asked = { form, answer };
    this.app.dismiss();
  }

  rail() {
    const { id, text, press } = this.goOn || { id: 'another', text: t('another_wheel'), press: () => this.app.dismiss() };
    return [id, () => button(text, press, 'do', { id, 'data-part': 'act' })];
  }

  update() {
    this.second.show(Boolean(this.goOn), () => [this.goOn ? button(t('another_wheel'), () => this.app.dismiss(), 'plain', { id: 'another' }) : null, this.sheet.opener]);
  }
}
