// Customers and their sites: found by name, entered, and changed by a further record; what was before stays to be read. Loaded
// late (assets.py).

import { button, h, say } from './dom.js';
import { get, newId, post } from './net.js';
import { clock, known, t } from './words.js';

const CUSTOMER = { name: {}, address: {}, postcode: {}, city: {}, country: { maxlength: 2, autocapitalize: 'characters' }, tax_number: {}, phone: { type: 'tel' }, email: { type: 'email' }, tax_exempt: {} };
const SITE = { name: {}, address: {}, note: { maxlength: 200 } };

const typed = (value) => (Array.isArray(value) ? value.join('; ') : value ?? '');
const lines = (text) => text.split(';').map((line) => line.trim()).filter(Boolean);

// Data of a customer or a site to be entered, or to be changed with a reason.
function factsForm(id, fields, { facts = {}, serial = 0, number = '' }, send) {
  const field = (name, label, more) => h('label', {}, label, h('input', { id: `${id}-${name}`, name, autocomplete: 'off', maxlength: 120, ...more }));
  const form = h('form', { id, onsubmit: (event) => {
    event.preventDefault();
    const { why = '', own = '', address, ...rest } = Object.fromEntries(new FormData(form));
    send({ id: newId(), number: (serial ? number : own).trim(), serial, why, facts: { ...rest, address: lines(address) } });
  } }, Object.entries(fields).map(([name, more]) => field(name, known(`customer.${name}`, t(`shop.${name}`)), { ...more, value: typed(facts[name]) })),
  serial ? field('why', t('customer.why'), { placeholder: t('example.why_change') }) : field('own', t('customer.own_number'), { maxlength: 20, placeholder: t('customer.next_number') }),
  h('button', { class: 'do', id: `${id}-keep` }, t(serial ? 'customer.keep_change' : 'customer.keep')));
  return form;
}

// Each earlier record with the change that ended it.
function history({ earlier }) {
  if (!earlier.length) return null;
  return h('details', { class: 'earlier' }, h('summary', {}, t('customer.earlier', { count: earlier.length })),
    h('ul', { class: 'fills' }, earlier.map((each) => h('li', {},
      h('p', {}, Object.values(each.facts).map(typed).join(' · ')),
      h('p', {}, t('customer.until', { at: clock(each.at), why: each.why || '–', by: each.by || '–' }))))));
}

export class Screen {
  constructor(app) {
    this.app = app;
    this.list = h('ul', { class: 'fills', id: 'customers' });
    this.find = h('input', { id: 'customer-find', type: 'search', autocomplete: 'off', oninput: () => this.found() });
    this.one = h('div', { 'aria-live': 'polite' });
    this.count = h('p');
    this.element = h('div', { class: 'columns' },
      h('section', { class: 'card' }, h('h2', {}, t('tab.customers')), h('div', { class: 'fields' }, h('label', {}, t('customer.find'), this.find)),
        this.count, this.list, button(t('customer.new'), () => this.enter(), 'plain', { id: 'customer-new' })),
      this.one);
    this.load();
  }

  async load() {
    this.all = await this.app.send(get('/api/customers')) || [];
    this.found();
  }

  found() {
    const word = this.find.value.trim().toLocaleLowerCase();
    const some = this.all.filter((each) => Object.values(each).some((text) => text.toLocaleLowerCase().includes(word)));
    say(this.count, this.all.length ? '' : t('customer.none'));
    this.list.replaceChildren(...some.map((each) => h('li', {}, h('button', { type: 'button', class: 'row', onclick: () => this.open(each.number) },
      h('span', {}, [each.name, each.city].filter(Boolean).join(', ')), h('strong', {}, each.number)))));
  }

  enter() {
    this.stands(h('section', { class: 'card' }, h('h2', {}, t('customer.new')), factsForm('customer', CUSTOMER, {}, (body) => this.keep('/api/customers', body))));
  }

  async open(number) {
    const found = await this.app.send(get(`/api/customers/${encodeURIComponent(number)}`));
    if (found) this.show(found);
  }

  show(customer) {
    const path = `/api/customers/${encodeURIComponent(customer.number)}/sites`;
    const site = (each) => h('details', { class: 'site' }, h('summary', {}, [each.facts.name, each.number].filter(Boolean).join(' · ')),
      factsForm(`site-${each.number}`, SITE, each, (body) => this.keep(path, body)), history(each));
    this.stands(h('section', { class: 'card' }, h('h2', {}, `${customer.facts.name} · ${customer.number}`),
      factsForm('customer', CUSTOMER, customer, (body) => this.keep('/api/customers', body)), history(customer)),
    h('section', { class: 'card' }, h('h2', {}, t('customer.sites')), customer.sites.map(site),
      h('details', { class: 'site' }, h('summary', {}, t('customer.new_site')), factsForm('site', SITE, {}, (body) => this.keep(path, body)))));
  }

  stands(...sections) {
    this.one.replaceChildren(...sections);
    this.one.scrollIntoView({ block: 'start' });
  }

  async keep(path, body) {
    const kept = await this.app.send(post(path, body));
    if (!kept) return;
    this.show(kept);
    await this.load();
    this.app.say(t('customer.kept', { name: kept.facts.name, number: kept.number }));
  }

  update() {}
}
