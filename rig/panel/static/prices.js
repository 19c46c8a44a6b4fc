// The shop's price list: whose papers they are, tax, liquids, parts and fees. What is not shown here is kept as it is.

import { button, h } from './dom.js';
import { get, newId, post } from './net.js';
import { t } from './words.js';

const SHOP = ['name', 'address', 'country', 'phone', 'email', 'tax_number', 'terms', 'due_days'];

function field(name, value, choices) {
  const more = { name };
  if (!choices) return h('input', { ...more, value: value ?? '', autocomplete: 'off', inputmode: ['price', 'percent', 'minimum'].includes(name) ? 'decimal' : null });
  return h('select', more, choices.map((each) => h('option', { value: each, selected: each === value }, each)));
}

const value = ({ inputMode, value: typed }) => (inputMode === 'decimal' ? typed.replace(',', '.') : typed).trim();
const values = (place) => Object.fromEntries([...place.querySelectorAll('[name]')].map((each) => [each.name, value(each)]));

// Rows of the same fields, which can be added and taken away.
class Rows {
  constructor(id, columns, rows) {
    this.columns = columns;
    this.list = h('ul', { class: 'wheels', id }, rows.map((row) => this.row(row)));
    this.element = h('div', {}, h('h3', {}, t(`prices.${id}`)), this.list, button(t('price_more'), () => this.list.append(this.row({})), 'plain', { id: `more-${id}` }));
  }

  row(given) {
    const line = h('li', { class: 'line' }, Object.entries(this.columns).map(([name, choices]) => h('label', {}, t(`price.${name}`), field(name, given[name], choices))),
      button(t('price_less'), () => line.remove(), 'plain'));
    return line;
  }

  read() {
    return [...this.list.children].map(values).filter((row) => Object.values(row)[0]);
  }
}

const named = (table) => Object.entries(table || {}).map(([name, row]) => ({ name, ...row }));
const byName = (rows) => Object.fromEntries(rows.map(({ name, ...row }) => [name, row]));

export class PriceList {
  constructor(app) {
    this.app = app;
    this.element = h('section', { class: 'card prices' }, t('loading'));
    app.send(get('/api/prices')).then((found) => found && this.show(found));
  }

  show({ serial, prices, by, per }) {
    const categories = Object.keys(prices.taxes);
    const shop = prices.shop || {};
    this.was = serial;
    this.prices = prices;
    this.head = h('div', { class: 'line' }, ['name', 'currency', 'minimum'].map((name) => h('label', {}, t(`price.list_${name}`), field(name, prices[name]))));
    this.shop = h('div', { class: 'line', id: 'shop' }, SHOP.map((name) => h('label', {}, t(`shop.${name}`),
      h('input', { name, value: (name === 'address' ? (shop.address || []).join('; ') : shop[name]) ?? '', autocomplete: 'off' }))));
    this.rows = {
      taxes: new Rows('taxes', { name: null, percent: null }, Object.entries(prices.taxes).map(([name, percent]) => ({ name, percent }))),
      fluids: new Rows('fluids', { name: null, by, price: null, category: categories }, named(prices.fluids)),
      items: new Rows('items', { name: null, price: null, unit: null, category: categories }, named(prices.items)),
      fees: new Rows('fees', { text: null, price: null, per, category: categories }, prices.fees || []),
    };
    this.said = h('p', { class: 'against', role: 'status', hidden: true });
    this.element.replaceChildren(h('h2', {}, t('price_list')), h('p', {}, serial ? t('price_serial', { serial }) : t('price_first')),
      h('details', { open: !serial, id: 'price-form' }, h('summary', {}, t('price_edit')), this.head, h('h3', {}, t('prices.shop')), this.shop, Object.values(this.rows).map((each) => each.element),
        this.said, button(t('price_keep'), () => this.keep(), 'do', { id: 'keep-prices' })));
  }

  document() {
    const shop = { ...this.prices.shop, ...values(this.shop) };
    shop.address = shop.address.split(';').map((line) => line.trim()).filter(Boolean);
    shop.due_days = shop.due_days === '' ? null : Number(shop.due_days);
    const { taxes, fluids, items, fees } = Object.fromEntries(Object.entries(this.rows).map(([name, rows]) => [name, rows.read()]));
    const head = values(this.head);
    head.minimum ||= '0';
    return {
      ...this.prices, ...head, taxes: Object.fromEntries(taxes.map(({ name, percent }) => [name, percent || '0'])),
      fluids: byName(fluids), items: byName(items.map(({ unit, ...row }) => (unit ? { ...row, unit } : row))), fees, shop: shop.name ? shop : null,
    };
  }

  // Every mistake is said beside the form, which stays as it was typed.
  async keep() {
    const found = await post('/api/prices', { id: newId(), prices: this.document(), was: this.was }).catch((error) => ({ error }));
    if (!found.error) {
      this.show(found);
      this.app.say(t('price_kept'));
      return;
    }
    this.said.hidden = false;
    this.said.textContent = found.error.message;
    this.said.scrollIntoView({ block: 'center' });
  }
}
