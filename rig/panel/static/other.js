// Other work of the pump than a fill: liquid out of a wheel, and rinsing. Each is ordered here; its checks come next.

import { button, h } from './dom.js';
import { me } from './net.js';
import { sized } from './wheels.js';
import { t } from './words.js';

const CLOCKS = ['6', '4', '8', '3', '9', '12'];

export function otherWork(app) {
  return h('section', { class: 'card' }, h('h2', {}, t('other_work')),
    h('details', {}, h('summary', {}, t('empty')), emptyForm(app, (empty) => order(app, 'empty', { empty }))),
    h('details', {}, h('summary', {}, t('rinse')), rinsing(app)));
}

async function order(app, kind, more) {
  if (!me.name) { app.signing = true; app.render(); return; }
  await app.order(kind, { start: false, ...more });
}

// Water through the line, and after it the first liquid diverted.
export function rinsing(app) {
  return h('div', {}, h('p', {}, t('rinse_text')),
    button(t('rinse_now'), () => order(app, 'rinse', { rinse: {} }), 'do wide', { id: 'rinse' }),
    h('p', {}, t('divert_text')),
    button(t('divert_now'), () => order(app, 'rinse', { rinse: { divert: true } }), 'wide', { id: 'divert' }));
}

// What is known of the wheel already is filled in; what a change of liquid takes out is asked, not taken from the tote.
export function emptyForm(app, send, given = {}) {
  const field = (name, more = {}) => h('label', {}, t(`field.${name}`),
    h('input', { name, id: `empty-${name}`, placeholder: t(`example.${name}`), autocomplete: 'off', value: given[name] || '', ...more }));
  const old = 'holds_fluid' in given;
  const form = h('form', { id: 'empty', onsubmit: (event) => {
    event.preventDefault();
    const { clean, other_fluid: known, ...empty } = Object.fromEntries(new FormData(form));
    send({ ...empty, ...sized(empty.size), support: app.form?.support || 'jacked', through_meter: clean === 'clean', other_fluid: known === 'on' });
  } },
  h('p', {}, t('empty_text')),
field('size', { required: true, list: 'shop-wheels' }), field('holds', { placeholder: t('example.inside') }),
  old ? field('holds_fluid', { required: true, placeholder: t('example.old_fluid') }) : null,
  h('label', {}, t('field.valve_at'), h('select', { name: 'valve_at' }, CLOCKS.map((clock) => h('option', { value: clock }, t('clock', { clock }))))),
  h('fieldset', { class: 'chips' }, h('legend', {}, t('which_way')),
    ['dirty', 'clean'].map((value) => h('label', { class: 'chip' },
      h('input', { type: 'radio', name: 'clean', value, checked: value === 'dirty' }), h('span', {}, t(`way.${value}`))))),
  field('to', { required: true, value: given.to ?? 'tote' }),
  h('details', {}, h('summary', {}, t('empty_more')), field('position'), field('out'), old ? null : field('holds_fluid'), field('job'),
    h('label', { class: 'chip' }, h('input', { type: 'checkbox', name: 'other_fluid', id: 'empty-other_fluid' }), h('span', {}, t('inside_known')))),
  h('button', { class: 'do', id: 'empty-order' }, t('empty_order')));
  // How much comes out is a target to the rig, and called otherwise here.
  form.elements.out.name = 'target';
  return form;
}
