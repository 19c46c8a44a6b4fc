// Other work of the pump than a fill: liquid out of a wheel, and rinsing. Each is ordered here; its checks come next.

import { button, h } from './dom.js';
import { me } from './net.js';
import { t } from './words.js';

const CLOCKS = ['6', '4', '8', '3', '9', '12'];

export function otherWork(app) {
  const order = async (kind, more) => {
    if (!me.name) { app.signing = true; app.render(); return; }
    await app.order(kind, { start: false, ...more });
  };
  return h('section', { class: 'card' }, h('h2', {}, t('other_work')),
    h('details', {}, h('summary', {}, t('empty')), emptyForm(app, (empty) => order('empty', { empty }))),
    h('details', {}, h('summary', {}, t('rinse')), h('p', {}, t('rinse_text')),
      button(t('rinse_now'), () => order('rinse', { rinse: {} }), 'do wide', { id: 'rinse' }),
      h('p', {}, t('divert_text')),
      button(t('divert_now'), () => order('rinse', { rinse: { divert: true } }), 'wide', { id: 'divert' })));
}

function emptyForm(app, order) {
  const field = (name, more = {}) => h('label', {}, t(`field.${name}`),
    h('input', { name, id: `empty-${name}`, placeholder: t(`example.${name}`), autocomplete: 'off', ...more }));
  const form = h('form', { id: 'empty', onsubmit: (event) => {
    event.preventDefault();
    const { clean, ...empty } = Object.fromEntries(new FormData(form));
    order({ ...empty, support: app.form?.support || 'jacked', through_meter: clean === 'clean' });
  } },
  h('p', {}, t('empty_text')),
  field('size', { required: true }), field('holds'),
  h('label', {}, t('field.valve_at'), h('select', { name: 'valve_at' }, CLOCKS.map((clock) => h('option', { value: clock }, t('clock', { clock }))))),
  h('fieldset', { class: 'chips' }, h('legend', {}, t('which_way')),
    ['dirty', 'clean'].map((value) => h('label', { class: 'chip' },
      h('input', { type: 'radio', name: 'clean', value, checked: value === 'dirty' }), h('span', {}, t(`way.${value}`))))),
  h('details', {}, h('summary', {}, t('empty_more')), field('position', { value: '' }), field('out'), field('holds_fluid'), field('to'), field('job')),
  h('button', { class: 'do', id: 'empty-order' }, t('empty_order')));
  // How much comes out is a target to the rig, and called otherwise here.
  form.elements.out.name = 'target';
  form.elements.to.value = 'tote';
  return form;
}
