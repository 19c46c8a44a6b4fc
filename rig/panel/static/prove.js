// Proving the meter: runs into a vessel, each read by a person, then the verdict. The form and the answers are the
// supervisor's; everybody sees how far it is, and what was proven before.

import { Slot, button, h, holdButton } from './dom.js';
import { get, me, newId, post } from './net.js';
import { number } from './units.js';
import { clock, sentence, t } from './words.js';

const figure = (value, digits) => (value === null || value === undefined ? '–' : number(Number(value), digits));

export function proveForm(app) {
  const field = (name, more = {}) => h('label', {}, t(`field.${name}`),
    h('input', { name, id: `prove-${name}`, placeholder: t(`example.${name}`), autocomplete: 'off', ...more }));
  const form = h('form', { id: 'prove', onsubmit: (event) => {
    event.preventDefault();
    const { runs, ...prove } = Object.fromEntries(new FormData(form));
    app.order('prove', { start: false, prove: { ...prove, runs: Number(runs) } });
  } },
  field('can'),
  h('details', {}, h('summary', {}, t('by_weight')), field('scale'), field('tare'), field('volume'), field('density')),
  field('temp'), field('runs', { value: '3', inputmode: 'numeric', required: true }),
  h('button', { class: 'do', id: 'prove-order' }, t('prove_order')));
  return h('section', { class: 'card' }, h('h2', {}, t('prove')), h('p', {}, t('prove_text')), form);
}

export function provings(rows) {
  return h('section', { class: 'card' }, h('h2', {}, t('provings')), rows.length ? rows.map((row) => h('details', {},
    h('summary', {}, `#${row.number} ${clock(row.at)} · ${figure(row.factor, 5)} · ${t(row.void ? 'record.void' : row.accepted ? 'taken' : row.passed ? 'not_taken' : 'failed')}`),
    h('p', {}, `${row.by}, ${row.fluid}, ${sentence(row.meter)}`), verdict(row))) : h('p', {}, t('no_provings')));
}

function verdict(found) {
  return h('div', {},
    h('table', { class: 'runs' }, h('tr', {}, ['run', 'pulses', 'litres', 'factor'].map((name) => h('th', { scope: 'col' }, t(`col.${name}`)))),
      found.runs.map((run, index) => h('tr', {}, h('th', { scope: 'row' }, index + 1), h('td', {}, run.pulses),
        h('td', {}, figure(run.reference_l, 3)), h('td', {}, figure(run.factor, 5))))),
    h('p', {}, t('verdict_figures', { factor: figure(found.factor, 5), before: figure(found.factor_before, 5), spread: figure(found.range_percent, 3), doubt: figure(found.u_percent, 3) })),
    h('ul', {}, [...found.fails, ...(found.asks || []), ...found.tells].map((line) => h('li', {}, sentence(line)))));
}

// Between two runs: what does the vessel show? And at the end: is the factor taken?
export class ProofScreen {
  constructor(app) {
    this.app = app;
    this.slot = new Slot('section', { class: 'card' });
    this.element = this.slot.element;
  }

  update(picture) {
    const proof = picture.proof;
    const answers = me.role === 'supervisor' && this.app.drives;
    this.slot.show(JSON.stringify([proof, answers]), () => proof?.asks === 'reading' ? this.reading(proof, answers)
      : proof?.asks === 'verdict' ? this.verdict(proof.document, answers) : h('p', { class: 'huge' }, t('getting_ready')));
  }

  reading(proof, answers) {
    const form = h('form', { onsubmit: (event) => {
      event.preventDefault();
      this.app.send(post('/api/reading', { id: newId(), text: form.elements.text.value }));
    } },
    h('label', {}, t('vessel_shows'), h('input', { name: 'text', id: 'reading', required: true, autocomplete: 'off', placeholder: t('example.reading') })),
    h('button', { class: 'do', id: 'keep-reading' }, t('keep_reading')));
    return [h('h2', { id: 'proof' }, t('run_counted', { run: proof.run, runs: proof.runs, pulses: proof.pulses })),
      answers ? form : h('p', {}, t('supervisor_reads'))];
  }

  verdict(found, answers) {
    const say = (give) => this.app.send(post('/api/verdict', { id: newId(), give })).then((sent) => sent && this.app.go('meter'));
    return [h('h2', { id: 'proof' }, `${found.passed ? '✓' : '■'} ${t(found.passed ? 'proof_good' : 'proof_bad')}`), verdict(found),
      answers && found.passed ? holdButton(t('take_factor'), () => say(true), 'do', { id: 'take' }) : null,
      answers ? button(t(found.passed ? 'leave_factor' : 'close_proof'), () => say(false), 'plain', { id: 'leave-factor' }) : h('p', {}, t('supervisor_judges'))];
  }
}

export async function provingsInto(element) {
  element.replaceChildren(provings(await get('/api/provings')));
}
