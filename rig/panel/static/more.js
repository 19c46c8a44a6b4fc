// What is looked up rather than done: earlier fills with their traces, and the meter's health.

import { After } from './after.js';
import { chart } from './chart.js';
import { Slot, h } from './dom.js';
import { Filming } from './filming.js';
import { fleets } from './fleet.js';
import { get, me } from './net.js';
import { proveForm, provingsInto } from './prove.js';
import { Records, ofFill } from './records.js';
import { bare, plain, shown, unit } from './units.js';
import { clock, known, sentence, t } from './words.js';

async function into(element, path, build) {
  try {
    element.replaceChildren(...[build(await get(path))].flat().filter(Boolean));
  } catch (error) {
    element.replaceChildren(h('p', { class: 'against' }, error.message));
  }
}

// Every wheel in the book beside its like; asked for when it is opened.
function alike() {
  const found = h('div', {}, t('loading'));
  const all = h('details', { id: 'alike', ontoggle: () => all.open && into(found, '/api/compare', ({ groups }) => {
    const figures = fleets(groups);
    return figures.length ? figures : h('p', {}, t('fleet_none'));
  }) }, h('summary', {}, t('fleet_all')), found);
  return all;
}

export class HistoryScreen {
  constructor(app) {
    this.app = app;
    this.list = h('div', {}, t('loading'));
    this.one = h('div', { 'aria-live': 'polite' });
    this.element = h('div', { class: 'columns' }, h('section', { class: 'card' }, h('h2', {}, t('tab.history')), alike(), new Records(app, {}, t('records')).element, this.list), this.one);
    into(this.list, '/api/fills', (fills) => fills.length ? [this.jobs(fills), h('ul', { class: 'fills' }, fills.map((fill) => this.row(fill)))] : h('p', {}, t('nothing_yet')));
  }

  jobs(fills) {
    const sums = new Map();
    for (const fill of fills.filter((each) => each.net_l !== null && each.delivery !== 'not known' && each.job)) {
      const sum = sums.get(fill.job) || [0, 0];
      sums.set(fill.job, [sum[0] + 1, sum[1] + fill.net_l]);
    }
    if (!sums.size) return null;
    return h('table', { class: 'pair' }, h('caption', {}, t('jobs', { unit: unit('volume') })),
      [...sums].map(([job, [count, litres]]) => h('tr', {}, h('th', { scope: 'row' }, job), h('td', {}, count), h('td', {}, bare(litres, 'volume')))));
  }

  row(fill) {
    const words = [`#${fill.number}`, fill.date_known ? clock(fill.opened_at) : t('date_not_known', { after: clock(fill.opened_at) }), fill.size, known(`position.${fill.position}`, fill.position), fill.job].filter(Boolean).join(' · ');
    const outcome = fill.outcome ? t(`outcome.${fill.outcome}`) : t('outcome.unfinished');
    return h('li', {}, h('button', { type: 'button', class: 'row', onclick: () => this.show(fill) },
      h('span', {}, words), h('strong', {}, `${outcome} ${fill.delivery === 'not known' ? t('delivery.not known') : shown(fill.net_l, 'volume')}`)));
  }

  show(fill) {
    into(this.one, `/api/fills/${fill.fill_id}`, (full) => h('section', { class: 'card' }, h('h2', {}, `#${full.number} ${full.size}`),
      chart(full.trace, { volume: full.target_l ? [full.target_l] : [] }), new Filming(full.fill_id).element, full.ticket ? new After(this.app, full).element : null,
      ofFill(this.app, full, () => this.show(fill)), new Records(this.app, { fill_id: fill.fill_id }, t('records_of_fill'), () => this.show(fill)).element));
    this.one.scrollIntoView({ block: 'start' });
  }

  update() {}
}

export class MeterScreen {
  constructor(app) {
    this.health = h('section', { class: 'card' }, t('loading'));
    this.before = h('div');
    this.app = app;
    this.form = new Slot();
    const undone = new Records(app, { kinds: 'proving' }, t('records_of_meter'), () => this.load());
    this.element = h('div', { class: 'columns' }, h('div', {}, this.health, this.before, undone.element), this.form.element);
    this.proving = false;
    this.load();
  }

  load() {
    provingsInto(this.before).catch(() => {});
    into(this.health, '/api/meter', (meter) => [
      h('h2', {}, t('tab.meter')),
      h('p', { class: 'huge' }, sentence(meter.advice)),
      h('dl', { class: 'figures roomy' },
        h('div', {}, h('dt', {}, t('factor')), h('dd', {}, plain(meter.factor))),
        h('div', {}, h('dt', {}, t('factor_from')), h('dd', {}, `${t(`factor_from.${meter.factor_from}`)} ${meter.proven_on || ''}`)),
        h('div', {}, h('dt', {}, t('fills_since')), h('dd', {}, meter.fills_since))),
      ...meter.charts.map((each) => h('p', {}, sentence(each.text))),
      me.role === 'supervisor' ? null : h('p', {}, t('prove_how')),
    ]);
  }

  // What a proving found is there as soon as it is kept; the form as soon as the supervisor has the controls.
  update(picture) {
    const may = me.role === 'supervisor' && this.app.drives;
    this.form.show(may, () => may ? proveForm(this.app) : null);
    if (this.proving && !picture.proof) this.load();
    this.proving = Boolean(picture.proof);
  }
}
