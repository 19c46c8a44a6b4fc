// Another liquid in the wheels of a job: the steps of each wheel in their order, which are done, and the next one ready
// to be ordered or noted. What is done is read from the book.

import { After } from './after.js';
import { billIssue, billLook } from './bill.js';
import { Slot, button, h } from './dom.js';
import { get, me, newId, post } from './net.js';
import { emptyForm, rinsing } from './other.js';
import { Records } from './records.js';
import { shown } from './units.js';
import { clock, known, sentence, t } from './words.js';

const place = (position) => known(`position.${position}`, position);

export class ConvertScreen {
  constructor(app) {
    this.app = app;
    this.path = `/api/jobs/${encodeURIComponent(app.converting)}`;
    // Apart, so that a note does not take away what is being typed beside it.
    this.wheels = new Slot();
    this.which = new Slot();
    this.bills = new Slot();
    this.element = h('div', {}, h('h2', {}, t('convert_job', { job: app.converting })),
      h('div', { class: 'columns' }, this.wheels.element, h('div', {}, this.which.element, this.bills.element)),
      button(t('leave_convert'), () => { app.converting = ''; app.go('work'); }, 'plain wide', { id: 'leave-convert' }));
    this.load();
  }

  async load() {
    const found = await this.app.send(get(`${this.path}/conversion`));
    if (found) this.show(found);
  }

  // One wheel at a time: the first that is not done, until another one is touched.
  show(found) {
    const open = found.wheels.filter((wheel) => wheel.next);
    const at = open.find((wheel) => wheel.position === this.at) || open[0];
    this.wheels.show(JSON.stringify([found.wheels, at?.position]), () => found.wheels.map((wheel) =>
      this.wheel(wheel, wheel === at, () => { this.at = wheel.position; this.show(found); })));
    this.which.show(JSON.stringify(found.positions), () => this.begin(found));
    this.bills.show(JSON.stringify([found.charges, found.items, found.positions]), () => found.wheels.length ? this.bill(found) : null);
  }

  async tell(address, what) {
    const found = await this.app.send(post(`${this.path}/${address}`, what));
    if (found) this.show(found);
    return found;
  }

  note(wheel, step) {
    return this.tell('note', { id: newId(), kind: 'step', position: wheel.position, step });
  }

  // --- one wheel ---

  wheel(wheel, now, choose) {
    const done = wheel.steps.filter((step) => step.done).length;
    const steps = h('ol', { class: 'steps' }, wheel.steps.map((step) => this.step(wheel, step, now)));
    return h('section', { class: 'card converting' },
      h('h3', {}, t('convert_wheel', { wheel: place(wheel.position), to: wheel.to })),
      now ? steps : h('details', {}, h('summary', {}, t('steps_done', { done, count: wheel.steps.length })), steps),
      ...wheel.faults.map((fault) => h('p', { class: 'against' }, h('strong', {}, t('look_again')), ` ${sentence(fault)}`)),
      me.name && now ? this.others(wheel) : null,
      me.name && wheel.next && !now ? button(t('work_on_this'), choose, 'wide') : null);
  }

  // What is to be done stands at the step that is next.
  step(wheel, step, now) {
    const next = step.step === wheel.next;
    const state = step.done ? 'done' : next ? 'next' : 'open';
    const words = [
      t(`wheel.${state}`), step.what && step.what !== step.step ? t(`work.${step.what}`) : '',
      step.litres === null ? '' : shown(Math.abs(step.litres), 'volume'),
      step.final_kpa === null ? '' : shown(step.final_kpa, 'pressure'),
      step.by, step.at && clock(step.at)];
    return h('li', { class: state, 'aria-current': next ? 'step' : null },
      h('strong', {}, `${{ done: '✓', next: '▶', open: '○' }[state]} ${t(`work.${step.step}`)}`),
      h('p', {}, words.filter(Boolean).join(' · ')),
      next && now && me.name ? this.act(wheel, step.notes) : null);
  }

  act(wheel, words) {
    const noted = words.map((word) => button(t(`note.${word}`), () => this.note(wheel, word), 'do wide', { 'data-note': word }));
    const acts = {
      'take the old out': () => [this.emptying(wheel), this.outAlready(wheel, words[0])],
      rinse: () => [rinsing(this.app), ...noted],
      refill: () => [this.refill(wheel)],
      finish: () => [this.finish(wheel)],
    };
    return (acts[wheel.next] || (() => noted))();
  }

  // A step may be noted out of its order; the book tells where that matters.
  others(wheel) {
    const open = wheel.steps.filter((step) => !step.done && step.step !== wheel.next && step.notes.length);
    if (!open.length) return null;
    return h('details', {}, h('summary', {}, t('other_step')),
      open.flatMap((step) => step.notes.map((word) => button(t(`note.${word}`), () => this.note(wheel, word), 'wide'))));
  }

  emptying(wheel) {
    const { size = '', wheel: name = '', valve = '' } = wheel.form || {};
    const given = {
      size: name || size, position: wheel.position, job: this.app.converting,
      to: '', holds: wheel.holds_l > 0 ? shown(wheel.holds_l, 'volume') : '', holds_fluid: wheel.holds_fluid,
    };
    return emptyForm(this.app, (empty) => this.app.order('empty', { start: false, empty: { ...empty, valve } }), given);
  }

  // With a volume it counts on the bill and in the tote; without one the step alone is noted.
  outAlready(wheel, step) {
    const field = (name, value) => h('label', {}, t(`field.${name}`), h('input', { name, id: `out-${name}`, maxlength: 60, autocomplete: 'off', placeholder: t(name === 'holds_fluid' ? 'example.old_fluid' : `example.${name}`), value }));
    const form = h('form', { id: 'out-already', onsubmit: (event) => {
      event.preventDefault();
      const { amount, holds_fluid: fluid, to } = Object.fromEntries(new FormData(form));
      if (amount.trim()) this.tell('note', { id: newId(), kind: 'return', position: wheel.position, volume: amount, fluid, to });
      else this.note(wheel, step);
    } },
    field('amount', ''), field('holds_fluid', wheel.holds_fluid), field('to', ''),
    h('button', { class: 'do' }, t('note_it')));
    return h('details', {}, h('summary', {}, t(`note.${step}`)), form);
  }

  refill(wheel) {
    if (!wheel.form) return h('p', { class: 'against' }, t('not_in_job'));
    // What stayed below the valve hole is still inside, and counts.
    const holds = wheel.holds_l > 1 ? `${wheel.holds_l.toFixed(2)} L` : '';
    const form = { ...wheel.form, job: this.app.converting, fluid: wheel.to, support: this.app.form?.support || 'jacked', holds };
    return button(t('fill_with', { fluid: wheel.to }), async () => {
      const answer = await this.app.send(post('/api/answer', form));
      if (!answer) return;
      this.app.ticks.clear();
      this.app.asked = { form, answer };
      this.app.dismiss();
      this.app.go('work');
    }, 'do wide', { 'data-act': 'refill' });
  }

  finish(wheel) {
    const found = h('div', {}, t('loading'));
    if (!wheel.fill_id) return null;
    this.app.send(get(`/api/fills/${wheel.fill_id}`)).then((full) => full && found.replaceChildren(new After(this.app, full, () => this.load()).element));
    return found;
  }

  // --- which wheels, and what it costs ---

  begin(found) {
    if (!me.name) return found.wheels.length ? null : h('p', {}, t('sign_in_to_fill'));
    const form = h('form', { id: 'convert', onsubmit: (event) => {
      event.preventDefault();
      const data = new FormData(form);
      this.tell('conversion', { positions: data.getAll('position'), to: data.get('to') });
    } },
    h('p', {}, t('convert_text')),
    h('fieldset', { class: 'chips' }, h('legend', {}, t('convert_which')), found.positions.map(({ position, to }) => h('label', { class: 'chip' },
      h('input', { type: 'checkbox', name: 'position', value: position, checked: !to }), h('span', {}, place(position))))),
    h('label', {}, t('field.to_fluid'), h('input', { name: 'to', id: 'convert-to', required: true, maxlength: 60, autocomplete: 'off', placeholder: t('example.stock_fluid') })),
    h('button', { class: 'do', id: 'convert-keep' }, t('convert_keep')));
    return h('section', { class: 'card' }, found.wheels.length ? h('details', {}, h('summary', {}, t('convert_begin')), form) : [h('h3', {}, t('convert_begin')), form]);
  }

  bill(found) {
    const field = (name, more) => h('label', {}, t(`field.${name}`), h('input', { name, id: `charge-${name}`, autocomplete: 'off', required: true, maxlength: 60, ...more }));
    const form = h('form', { id: 'charge', onsubmit: (event) => {
      event.preventDefault();
      const { item, quantity, position } = Object.fromEntries(new FormData(form));
      this.tell('note', { id: newId(), kind: 'charge', item, quantity: quantity.replace(',', '.'), position });
    } },
    field('item', { list: 'items', placeholder: found.items[0] || t('example.item') }), h('datalist', { id: 'items' }, found.items.map((item) => h('option', { value: item }))),
    field('quantity', { value: '1', inputmode: 'decimal' }),
    h('label', {}, t('field.for_wheel'), h('select', { name: 'position' }, ['', ...found.wheels.map((wheel) => wheel.position)].map((position) => h('option', { value: position }, position ? place(position) : t('whole_job'))))),
    h('button', { class: 'do', id: 'charge-keep' }, t('charge_keep')));
    return h('section', { class: 'card' }, h('h3', {}, t('bill')),
      found.charges.length ? h('ul', { id: 'charges' }, found.charges.map((each) => h('li', {}, [`${each.quantity} × ${each.item}`, place(each.position), each.by].filter(Boolean).join(' · ')))) : h('p', {}, t('no_charges')),
      new Records(this.app, { job: this.app.converting }, t('records_of_job'), () => this.load()).element,
      me.name ? [form,
        billLook(this.app, this.path), h('details', {}, h('summary', {}, t('issue_bill')), billIssue(this.app, this.path))]
        : h('p', {}, t('sign_in_for_pdf')));
  }

  update() {}
}
