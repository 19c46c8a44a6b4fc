// A wheel is done: what went in, left against right, and the next wheel of the machine ready to start.

import { After, ticket } from './after.js';
import { chart } from './chart.js';
import { Slot, button, h } from './dom.js';
import { placeOf } from './jobs.js';
import { get, me, post } from './net.js';
import { pairPicture } from './pair.js';
import { Ready } from './ready.js';
import { shown } from './units.js';
import { t } from './words.js';

export class DoneScreen {
  constructor(app, record) {
    this.app = app;
    this.record = record;
    this.more = new Slot('div');
    this.following = new Slot('div');
    this.ready = null;
    const good = record.outcome === 'complete';
    this.element = h('div', { class: 'columns' },
      h('section', { class: 'card done' },
        h('h2', { id: 'outcome' }, `${good ? '✓' : '■'} ${t(`outcome.${record.outcome}`)} ${[record.size, placeOf(record.position)].filter(Boolean).join(', ')}`),
        ...this.moved(),
        this.more.element,
        button(t('another_wheel'), () => app.dismiss(), 'plain', { id: 'another' })),
      this.following.element);
    this.load();
  }

  // A figure in large only where the record knows it.
  moved() {
    const record = this.record;
    const figures = {
      target: shown(record.target_l, 'volume'), mass: shown(Math.abs(record.mass_kg), 'mass'),
      counted: shown(record.recovered_l ?? record.net_l, 'volume'),
      doubt: shown(record.net_u_l, 'volume'), basis: t(`basis.${record.net_basis}`),
    };
    if (record.delivery === 'known') return [h('p', { class: 'net', id: 'net' }, figures.counted), h('p', { class: 'of' }, t('done_of', figures))];
    const where = record.recovered_l !== undefined ? 'drawn' : record.valve ? 'tyre' : 'vessel';
    return [
      h('p', { class: 'of', id: 'net' }, t(`delivery.${where}`, { what: t(`delivery.${record.delivery}`) })),
      h('p', { class: 'of' }, t('delivery_of', figures)),
    ];
  }

  async load() {
    const full = await get(`/api/fills/${this.record.fill_id}`).catch(() => null);
    if (!full) {
      // The book may be busy for a moment; what to do next must not be missing for that.
      setTimeout(() => this.element.isConnected && this.load(), 2000);
      return;
    }
    this.more.show('now', () => [
      h('ul', { class: 'huge' }, full.next.map((step) => h('li', {}, step))),
      full.pair ? pairPicture(full.pair) : null,
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
    else if (fill && form && me.name) await this.then(full, form, job);
  }

  // A change of liquid goes on with its next step.
  convert(job) {
    this.following.show('convert', () => h('section', { class: 'card' }, h('h2', {}, t('convert_job', { job })),
      button(t('on_with_convert'), () => {
        this.app.converting = job;
        this.app.dismiss();
        this.app.go('convert');
      }, 'do', { id: 'on-with-convert' })));
  }

  // The next wheel of the job; without a job, the same on the other side.
  async then(full, form, job) {
    if (job?.next === null && !job.away) this.following.show('all', () => h('section', { class: 'card' }, h('h2', { id: 'job-done' }, `✓ ${t('job_done', { job: job.job })}`),
      ticket(this.app, null, `/api/jobs/${encodeURIComponent(job.job)}`)));
    else if (job && !job.away) await this.offer({ ...job.wheels[job.next].form, support: form.support });
    else if (full.opposite && !full.pair) await this.offer({ ...form, position: full.opposite });
  }

  // What is still wanting after a fill that ended early.
  rest() {
    const wanting = this.record.target_l - this.record.net_l;
    if (wanting < 1 || !this.app.form || this.record.delivery === 'not known') return;
    const inside = this.record.existing_l + this.record.net_l;
    this.following.show('rest', () => h('section', { class: 'card' }, h('h2', {}, t('still_wanting', { volume: shown(wanting, 'volume') })),
      button(t('fill_the_rest'), () => this.offer({ ...this.app.form, target: `${wanting.toFixed(2)} L`, holds: `${Math.max(0, inside).toFixed(2)} L` }), 'do', { id: 'rest' })));
  }

  async offer(form) {
    const answer = await this.app.send(post('/api/answer', form));
    if (!answer) return;
    this.ready = new Ready(this.app, form, answer, null);
    this.following.key = null;
    this.following.show('next', () => [h('p', { class: 'then' }, t('next_wheel')), this.ready.element]);
  }

  update() {
    this.ready?.update();
  }
}
