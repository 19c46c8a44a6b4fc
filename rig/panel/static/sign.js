// Name and PIN, by keys that a glove can hit. A PIN never leaves the field but to the controller. The first person of a rig
// enters themself by the code that was printed.

import { button, h, numberPad, say } from './dom.js';
import { me, post, whoAmI } from './net.js';
import { t } from './words.js';

const field = (id, label, more) => h('label', {}, t(label), h('input', { id, required: true, autocomplete: 'off', ...more }));
const valueOf = (id) => document.getElementById(id).value;

// Nobody is entered yet: code, name and PIN; whoever has them is the first supervisor.
function firstForm(entered) {
  return h('form', { id: 'first', onsubmit: (event) => { event.preventDefault(); entered(post('/api/first', { code: valueOf('first-code'), name: valueOf('first-name'), pin: valueOf('first-pin') })); } },
    h('p', {}, t('first_start')),
    field('first-code', 'first_code', { inputmode: 'numeric', maxlength: 20 }), field('first-name', 'person_name', { maxlength: 40 }),
    field('first-pin', 'pin', { type: 'password', inputmode: 'numeric', maxlength: 12 }), h('button', { class: 'do' }, t('first_enter')));
}

export class SignScreen {
  constructor(app) {
    this.app = app;
    this.pin = h('input', {
      type: 'password', id: 'pin', inputmode: 'none', autocomplete: 'off', maxlength: 12,
      onkeydown: (event) => event.key === 'Enter' && this.enter(),
    });
    this.name = me.names.length === 1 ? me.names[0] : '';
    this.faces = me.names.map((name) =>
      button(name, () => this.choose(name), 'face', { 'aria-pressed': String(name === this.name) }));
    this.element = h('section', { class: 'card sign' },
      h('h2', {}, t('who_are_you')),
      me.names.length ? [h('div', { class: 'faces' }, this.faces),
        h('label', { class: 'pin' }, t('pin'), this.pin),
        numberPad(this.pin, '', button(t('enter'), () => this.enter(), 'key do'))] : firstForm((answer) => this.signedIn(answer)),
      app.rig.looking ? button(t('only_look'), () => { app.signing = false; app.render(); }) : null);
  }

  choose(name) {
    this.name = name;
    for (const face of this.faces) face.setAttribute('aria-pressed', String(face.textContent === name));
    this.pin.focus();
  }

  async enter() {
    const pin = this.pin.value;
    this.pin.value = '';
    if (!this.name) {
      this.app.say(t('choose_name'));
      return;
    }
    await this.signedIn(post('/api/sign-in', { name: this.name, pin, at: new Date().toISOString() }));
  }

  async signedIn(answer) {
    const found = await this.app.send(answer);
    if (!found) return;
    const { clock, ...who } = found;
    Object.assign(me, who);
    this.app.clock = clock;
    this.app.signing = false;
    this.app.reopen();
    await whoAmI();
    this.app.render();
  }

  update() {
    say(this.element.querySelector('h2'), t('who_are_you'));
  }
}
