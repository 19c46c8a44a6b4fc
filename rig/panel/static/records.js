// Records of the book, a line each; whoever is signed in corrects or voids one with a reason, or takes a void back.

import { h, holdButton } from './dom.js';
import { get, me, newId, post } from './net.js';
import { clock, known, sentence, t } from './words.js';

const SIGNS = { stands: '', void: '✕', corrected: '↻' };

// What was asked for by a query of /api/records; looked up when it is opened.
export class Records {
  constructor(app, query, title, changed = () => {}) {
    this.app = app;
    this.query = query;
    this.changed = changed;
    this.found = h('div', {}, t('loading'));
    this.element = h('details', { class: 'records', ontoggle: () => this.element.open && this.load() }, h('summary', {}, title), this.found);
  }

  async load() {
    const found = await get(`/api/records?${new URLSearchParams(this.query)}`).catch((error) => ({ error }));
    if (found.error) this.found.replaceChildren(h('p', { class: 'against' }, found.error.message));
    else this.show(found);
  }

  show({ records, choices }) {
    this.found.replaceChildren(records.length ? h('ul', { class: 'fills' }, records.map((row) => this.row(row, choices))) : h('p', {}, t('no_records')));
  }

  row(row, choices) {
    const may = me.name && (!row.supervisor || me.role === 'supervisor');
    return h('li', { class: row.state, 'data-record': row.serial },
      h('p', {}, h('strong', {}, [SIGNS[row.state], row.state === 'stands' ? '' : t(`record.${row.state}`)].filter(Boolean).join(' ')),
        ` ${row.serial} · ${clock(row.at)} · ${sentence(row.text)}`),
      may ? row.may.map((act) => this.undo(row, act, choices)) : null,
      me.name && !may && row.may.length ? h('p', {}, t('undo_by_supervisor')) : null);
  }

  undo(row, act, choices) {
    const why = h('input', { name: 'why', id: `why-${act}-${row.serial}`, maxlength: 120, autocomplete: 'off', placeholder: t('example.why_wrong') });
    const fields = act === 'correct' ? row.fields.map((name) => field(row, name, choices[name])) : [];
    const form = h('form', { onsubmit: (event) => event.preventDefault() }, h('div', { class: 'fields' }, fields, h('label', {}, t('field.why_wrong'), why)),
      holdButton(t(`undo.${act}`), () => this.send(row, act, form), act === 'void' ? 'wait' : 'do', { id: `${act}-${row.serial}` }));
    return h('details', { class: 'undo' }, h('summary', {}, t(`undo_how.${act}`)), form);
  }

  async send(row, act, form) {
    const done = await this.app.send(post(`/api/records/${row.serial}/${act}`, { id: newId(), ...Object.fromEntries(new FormData(form)) }));
    if (!done) return;
    this.app.say(t('undo_done'));
    this.changed();
    await this.load();
  }
}

function field(row, name, choices) {
  const given = { name, id: `${name}-${row.serial}`, maxlength: 60, autocomplete: 'off' };
  const face = choices ? h('select', given, ['', ...choices].map((value) => h('option', { value }, value ? known(`${name}.${value}`, value) : t('as_it_was'))))
    : h('input', { ...given, placeholder: t('as_it_was') });
  return h('label', {}, known(`undo_field.${name}`, name), face);
}

// What a supervisor says of a fill's litres: a figure where its record cannot tell them, or what was spilled of it.
export function ofFill(app, full, changed) {
  if (me.role !== 'supervisor' || full.kind !== 'fill') return full.asks_figure ? h('p', { class: 'against' }, h('strong', {}, t('figure_asked')), ` ${sentence(full.asks_figure)}`) : null;
  const telling = (kind, open, ...more) => {
    const form = h('form', { id: `note-${kind}`, onsubmit: async (event) => {
      event.preventDefault();
      const said = { id: newId(), kind, ...Object.fromEntries(new FormData(form)) };
      if (await app.send(post(`/api/fills/${full.fill_id}/note`, said))) changed();
    } },
    h('div', { class: 'fields' }, h('label', {}, t(`undo_field.${kind}`), h('input', { name: 'volume', id: `${kind}-volume`, required: true, maxlength: 60, autocomplete: 'off', placeholder: t('example.out') })), more,
      h('label', {}, t('field.why_wrong'), h('input', { name: 'why', id: `${kind}-why`, required: true, maxlength: 120, autocomplete: 'off' }))),
    h('button', { class: 'do' }, t('note_it')));
    return h('details', { open }, h('summary', {}, t(`fill_note.${kind}`)), form);
  };
  return h('div', {},
    full.asks_figure ? [h('p', { class: 'against' }, h('strong', {}, t('figure_asked')), ` ${sentence(full.asks_figure)}`),
      telling('figure', true, h('label', {}, t('undo_field.basis'), h('select', { name: 'basis', id: 'figure-basis' }, ['scale', 'level', 'chart'].map((value) => h('option', { value }, t(`basis.${value}`))))))] : null,
    telling('spill', false));
}
