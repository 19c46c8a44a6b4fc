// The totes by the book: what is in each, of which lot, whether to order again; and what a person enters of them. Loaded late.

import { button, h } from './dom.js';
import { get, me, newId, post } from './net.js';
import { Records } from './records.js';
import { shown } from './units.js';
import { clock, t } from './words.js';

// What this truck has of its office; nothing on a truck without one.
function ofOffice(office) {
  if (!office.joined) return null;
  const figures = {
    exchanged: office.exchanged ? clock(office.exchanged) : t('of_office.never'),
    waiting: t('of_office.of', { waiting: office.waiting, records: office.records }),
    offers: Object.entries(office.offers).map(([what, count]) => t(`of_office.kind.${what}`, { count })).join(', ') || t('of_office.nothing'),
  };
  return h('section', { class: 'card', id: 'of-office' }, h('h2', {}, t('of_office')),
    h('dl', { class: 'figures roomy' }, Object.entries(figures).map(([name, text]) => h('div', {}, h('dt', {}, t(`of_office.${name}`)), h('dd', {}, text)))),
    office.release ? h('p', {}, h('strong', {}, office.release)) : null,
    office.waiting_words.map((words) => h('p', { class: 'against' }, words)),
    office.others.map((other) => h('p', {}, `${other.name}: `, other.words.map((word) => t('of_office.other', { ...word, by: word.by || t('of_office.somebody') })).join('; '))));
}

export class Screen {
  constructor(app) {
    this.app = app;
    this.list = h('div', {}, t('loading'));
    this.records = new Records(app, { kinds: 'load,dip,connect,tote,rinse,spill' }, t('records_of_stock'), () => this.load());
    this.office = h('div', {});
    this.element = h('div', { class: 'columns' }, h('div', {}, this.list, this.records.element, this.office), me.name ? this.telling() : null);
    get('/api/office').then((office) => this.office.replaceChildren(...[ofOffice(office)].filter(Boolean))).catch((error) => this.office.replaceChildren(h('p', { class: 'against' }, error.message)));
    this.load();
  }

  load() {
    get('/api/stock').then((stock) => this.show(stock)).catch((error) => this.list.replaceChildren(h('p', { class: 'against' }, error.message)));
  }

  show(stock) {
    this.list.replaceChildren(...stock.totes.map((tote) => this.tote(tote, stock.totes.length > 1)));
  }

  tote(tote, several) {
    const known = tote.left_l !== null;
    const share = known && tote.capacity_l ? Math.min(1, Math.max(0, tote.left_l / tote.capacity_l)) : null;
    return h('section', { class: 'card tote' },
      h('h2', {}, [tote.yard ? t('yard_tank') : t('tote'), tote.tote, tote.connected && several ? `✓ ${t('connected')}` : ''].filter(Boolean).join(' ')),
      h('p', { class: 'net' }, known ? shown(tote.left_l, 'volume', 0) : t('not_known')),
      share === null ? null : h('progress', { max: 1, value: share, 'aria-label': t('how_full') }),
      h('p', {}, [tote.fluid, tote.lot && t('lot', { lot: tote.lot }), tote.capacity_l && t('takes', { volume: shown(tote.capacity_l, 'volume', 0) })].filter(Boolean).join(' · ')),
      // Others may load from a yard tank: only the office adds all of them up.
      tote.yard ? h('p', {}, t('own_loads', { since: tote.seen_at ? `${clock(tote.seen_at)} (${t(`seen.${tote.seen_by}`)})` : t('seen.never') })) : null,
      tote.reorder ? h('p', { class: 'against' }, h('strong', {}, t('order_again')), ` ${t('below_mark', { mark: shown(tote.reorder_l, 'volume', 0) })}`)
        : tote.reorder_l === null ? null : h('p', {}, t('mark', { mark: shown(tote.reorder_l, 'volume', 0) })),
      me.name && several && !tote.connected && !tote.yard ? button(t('connect'), () => this.tell({ action: 'connect', tote: tote.tote }), 'wide') : null);
  }

  telling() {
    const field = (name, more = {}) => h('label', {}, t(`field.${name}`),
      h('input', { name, id: `stock-${name}`, placeholder: t(`example.${name}`), autocomplete: 'off', ...more }));
    const form = h('form', { id: 'stock', onsubmit: (event) => { event.preventDefault(); this.sent(form); } },
      h('fieldset', { class: 'chips' }, h('legend', {}, t('what_of_tote')),
        ['load', 'dip', 'tote'].map((action) => h('label', { class: 'chip' },
          h('input', { type: 'radio', name: 'action', value: action, checked: action === 'load' }), h('span', {}, t(`stock.${action}`))))),
      field('amount'), field('stock_fluid'), field('lot'),
      h('details', {}, h('summary', {}, t('stock_more')), field('within'), field('which_tote'), field('source'), field('reorder'), field('capacity'),
        h('label', { class: 'chip' }, h('input', { type: 'checkbox', name: 'mixed' }), h('span', {}, t('mixed')))),
      h('button', { class: 'do', id: 'tell-stock' }, t('tell_stock')));
    return h('section', { class: 'card' }, h('h2', {}, t('tell_of_tote')), form);
  }

  async sent(form) {
    const { amount, stock_fluid: fluid, which_tote: tote, mixed, ...rest } = Object.fromEntries(new FormData(form));
    if (await this.tell({ ...rest, volume: amount, fluid, tote, mixed: mixed === 'on' })) form.reset();
  }

  async tell(what) {
    const stock = await this.app.send(post('/api/stock', { id: newId(), ...what }));
    if (stock) this.show(stock);
    return stock;
  }

  update() {}
}
