// After a fill: final pressure, leak check and cap, once the wheel is aired up. It can be left out; the ticket says so.

import { button, h, numberPad } from './dom.js';
import { me, newId, post, save } from './net.js';
import { point, shown, unit } from './units.js';
import { sentence, t } from './words.js';

const LEAKS = ['none', 'core', 'bead', 'stem'];
const CAPS = ['on', 'off'];

export class After {
  constructor(app, full, told = () => {}) {
    this.app = app;
    this.told = told;
    this.path = `/api/fills/${full.fill_id}`;
    this.found = h('div');
    this.words = h('pre', { tabindex: 0 });
    this.element = h('div', { class: 'after' }, full.kind === 'fill' ? this.found : null, ticket(app, this.words, this.path));
    this.show(full.after, full.ticket);
  }

  show(told, words) {
    this.words.textContent = words;
    this.found.replaceChildren(...(told ? this.said(told) : me.name ? [this.form()] : [h('p', {}, t('after_not_told'))]));
  }

  said(told) {
    return [
      h('h3', {}, t('after')),
      h('p', { class: 'huge', id: 'after-said' }, `${shown(told.final_kpa, 'pressure')} · ${t(`leak.${told.leak}`)} · ${t(`cap.${told.cap ? 'on' : 'off'}`)}`),
      ...told.faults.map((fault) => h('p', { class: 'against' }, h('strong', {}, t('look_again')), ` ${sentence(fault)}`)),
      me.name ? button(t('after_again'), () => this.found.replaceChildren(this.form()), 'plain') : null,
    ].filter(Boolean);
  }

  form() {
    const chips = (name, values) => h('fieldset', { class: 'chips' }, h('legend', {}, t(name)),
      values.map((value) => h('label', { class: 'chip' },
        h('input', { type: 'radio', name, value, required: true }), h('span', {}, t(`${name}.${value}`)))));
    const figure = h('input', { name: 'pressure', id: 'final-pressure', inputmode: 'none', required: true, autocomplete: 'off', maxlength: 8 });
    const form = h('form', { id: 'after', onsubmit: (event) => { event.preventDefault(); this.keep(new FormData(form)); } },
      h('h3', {}, t('after')),
      h('label', {}, t('final_pressure', { unit: unit('pressure') }),
        figure), numberPad(figure, point),
      chips('leak', LEAKS), chips('cap', CAPS),
      h('button', { class: 'do', id: 'keep-after' }, t('keep_after')),
      h('p', {}, t('after_skipped')));
    return form;
  }

  async keep(data) {
    const pressure = `${data.get('pressure').trim().replace(',', '.')} ${unit('pressure')}`;
    const kept = await this.app.send(post(`${this.path}/after`, { id: newId(), pressure, leak: data.get('leak'), cap: data.get('cap') === 'on' }));
    if (!kept) return;
    this.show(kept.after, kept.ticket);
    this.told();
  }
}

// The ticket to read, and the same as PDF for whoever is signed in: a print, which the book counts.
export function ticket(app, words, path) {
  return h('details', {}, h('summary', {}, t('ticket')), words,
    me.name ? button(t('ticket_pdf'), () => app.send(save(`${path}/ticket.pdf`, 'ticket.pdf')), 'plain ticket-pdf') : h('p', {}, t('sign_in_for_pdf')));
}
