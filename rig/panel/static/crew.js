// The people of a rig: entered and removed by a supervisor.

import { button, h } from './dom.js';
import { get, me, newId, post } from './net.js';
import { t } from './words.js';

const field = (id, label, more) => h('label', {}, t(label), h('input', { id, required: true, autocomplete: 'off', ...more }));
const pinField = (id) => field(id, 'pin', { type: 'password', inputmode: 'numeric', maxlength: 12 });
const valueOf = (id) => document.getElementById(id).value;

export class Crew {
  constructor(app) {
    this.app = app;
    this.list = h('ul', { class: 'wheels', id: 'crew' });
    this.role = h('select', { id: 'person-role' }, ['technician', 'supervisor'].map((role) => h('option', { value: role }, t(`role.${role}`))));
    this.element = h('section', { class: 'card' }, h('h2', {}, t('people')), this.list,
      h('form', { onsubmit: (event) => { event.preventDefault(); this.enter(event.target); } }, h('h3', {}, t('person_enter')), h('p', {}, t('person_how')),
        field('person-name', 'person_name', { maxlength: 40 }), h('label', {}, t('role'), this.role), pinField('person-pin'), h('button', { class: 'do', id: 'person-enter' }, t('person_enter'))));
    this.told(get('/api/people'));
  }

  async told(answer) {
    const people = await this.app.send(answer);
    if (people) this.list.replaceChildren(...people.map((each) => this.row(each)));
    return people;
  }

  row({ name, role }) {
    return h('li', {}, `${name}, ${t(`role.${role}`)}`, name === me.name ? null
      : button(t('person_remove'), () => this.told(post('/api/people/remove', { id: newId(), name })), 'plain', { 'aria-label': `${t('person_remove')}: ${name}` }));
  }

  async enter(form) {
    const told = await this.told(post('/api/people', { id: newId(), name: valueOf('person-name'), role: this.role.value, pin: valueOf('person-pin') }));
    if (told) form.reset();
  }
}
