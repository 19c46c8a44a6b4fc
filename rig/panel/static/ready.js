// The ready check of one wheel in the same frame as its fill: what goes in, and then, beside STOP, one group of questions at a
// time. What holds for the shift and the machine is asked once; what is about the wheel is said with the start.

import { Sheet, Slot, button, h, holdButton, numberPad } from './dom.js';
import { Figure } from './gauge.js';
import { act, me, newId, post } from './net.js';
import { bare, point, shown, unit } from './units.js';
import { Wheel } from './wheel.js';
import { known, sentence, t } from './words.js';

const SCOPES = ['shift', 'machine', 'wheel'];
let drawn = 0;

// Questions that only a person can answer, group by group; the last group is said with the start.
export class Groups {
  constructor(app, ticks = new Set()) {
    this.app = app;
    this.ticks = ticks;
    this.checks = [];
    this.of = '';
  }

  take(of, checks) {
    if (of !== this.of) this.ticks.clear();
    this.of = of;
    this.checks = checks;
  }

  get scopes() {
    return SCOPES.filter((scope) => this.checks.some((each) => each.scope === scope));
  }

  get scope() {
    const { scopes } = this;
    return scopes.find((scope) => !this.ticks.has(scope)) || scopes[scopes.length - 1];
  }

  get last() {
    return this.scope === this.scopes[this.scopes.length - 1];
  }

  key() {
    return JSON.stringify([this.scope, this.checks.map((each) => each.name)]);
  }

  questions() {
    const { scope, scopes } = this;
    return h('div', { class: 'check', 'data-part': 'next' },
      h('h3', {}, t(`scope.${scope}`), h('small', {}, ` ${t('group_of', { number: scopes.indexOf(scope) + 1, count: scopes.length })}`)),
      h('ul', {}, this.checks.filter((each) => each.scope === scope).map((each) => h('li', {}, sentence(each.text)))));
  }

  // The key that answers the group that stands there; `start` makes the last one.
  act(start) {
    if (this.last) return start();
    const { scope } = this;
    return button(t('all_so'), () => { this.ticks.add(scope); this.app.render(); }, 'do', { id: `check-${scope}`, 'data-part': 'act' });
  }

  back() {
    if (!this.ticks.size) return null;
    return button(t('group_back'), () => { this.ticks.delete([...this.ticks].pop()); this.app.render(); }, 'plain', { id: 'group-back' });
  }
}

export class Ready {
  // `again` leads to another wheel; `choices` are shown on the sheet.
  constructor(app, form, answer, again, choices = () => null) {
    this.app = app;
    this.form = form;
    this.answer = answer;
    this.again = again;
    this.choices = choices;
    this.groups = new Groups(app, app.ticks);
    this.read = false;
    this.slot = new Slot('div', { class: 'frame answer' });
    this.element = this.slot.element;
    this.sheet = new Sheet();
    this.update();
  }

  key() {
    return JSON.stringify([this.app.drives, me.name, this.read, this.form.width, this.form.girth, this.groups.key(), this.answer.refusal, this.answer.checks.map((each) => each.given), this.app.picture?.driver?.name]);
  }

  update() {
    this.groups.take('', this.answer.checks.filter((each) => !each.given && each.name !== 'look_doubts'));
    this.slot.show(this.key(), () => this.parts());
  }

  sentence() {
    const a = this.answer;
    return t('answer_sentence', {
      volume: shown(a.target_l, 'volume'), mass: shown(a.fluid_mass_kg, 'mass'), level: t(`level.${a.level}`, { clock: a.valve_at }),
    });
  }

  mix() {
    const a = this.answer;
    const frost = a.freeze_c === null ? t('frost_unknown', { why: sentence(a.mix_unknown) }) : t('frost', { freeze: shown(a.freeze_c, 'temperature') });
    return a.holds.length ? t('mix_in_wheel', { mix: a.mix, mass: a.mass_kg === null ? t('not_known') : shown(a.mass_kg, 'mass'), frost }) : `${a.fluid}: ${frost}`;
  }

  parts() {
    const a = this.answer;
    const wheel = new Wheel(this.sentence(), (drawn += 1));
    wheel.draw(a.wheel, a.fill_fraction);
    wheel.fill(a.fill_fraction, '', this.sentence());
    const litres = new Figure('litres', 'planned');
    litres.show(bare(a.target_l, 'volume'), unit('volume'), '');
    const pressure = new Figure('pressure', 'planned-pressure');
    pressure.show(bare(a.final_kpa, 'pressure'), unit('pressure'), t('at_the_end'));
    this.lookedUp();
    return [
      h('section', { class: 'big' }, litres.element, h('p', { class: 'of', id: 'sentence' }, this.sentence())),
      h('section', { class: 'press' }, h('div', { class: 'small' }, pressure.element, a.look ? h('p', { class: 'of', id: 'look-says' }, sentence(a.look.says)) : null)),
      h('section', { class: 'picture' }, h('h2', {}, [this.form.wheel, a.size, known(`position.${this.form.position}`, this.form.position), this.form.job].filter(Boolean).join(', ')), wheel.element),
      h('section', { class: 'tell' }, this.asked()),
      h('div', { class: 'second' }, button(t('another_wheel'), this.again, 'plain', { id: 'another' }), this.groups.back(), this.atTheGun(), this.lookFirst(), this.sheet.opener),
      this.sheet.element,
    ];
  }

  // What stands against it is read first, by itself.
  get grave() {
    const a = this.answer;
    return [
      a.refusal ? h('p', { class: 'against' }, h('strong', {}, t('other_liquid')), ` ${sentence(a.refusal)}`) : null,
      ...a.checks.filter((each) => each.name === 'look_doubts').map((each) => h('p', { class: 'against' }, sentence(each.text))),
      ...a.against.map((each) => h('p', { class: 'against' }, h('strong', {}, t('no_liquid')), ` ${sentence(each.text)} [${sentence(each.source)}]`)),
      ...a.cautions.filter((each) => each.severity === 'danger').map(caution),
    ].filter(Boolean);
  }

  asked() {
    const { grave } = this;
    return grave.length && !this.read ? h('div', { class: 'check', 'data-part': 'next' }, grave) : this.groups.questions();
  }

  lookedUp() {
    const a = this.answer;
    const fluid = h('p', {}, t('answer_more', {
      fluid: a.fluid, strokes: a.strokes, minutes: Math.max(1, Math.round(a.expected_minutes)),
      pressure: shown(a.final_kpa, 'pressure'), low: shown(a.target_low_l, 'volume'), high: shown(a.target_high_l, 'volume'),
    }));
    const given = ['shift', 'machine'].filter((scope) => a.checks.some((each) => each.scope === scope && each.given));
    this.sheet.element.replaceChildren(...[
      ...(a.look ? [h('ul', { id: 'looked' }, a.look.found.map((each) => h('li', {}, sentence(each)))), this.width()] : []),
      fluid, h('p', { id: 'mix' }, this.mix()), this.choices(), ...given.map((scope) => this.remembered(scope)),
      a.cautions.length ? h('div', { class: 'cautions' }, h('h3', {}, t('cautions', { count: a.cautions.length })), h('ul', {}, a.cautions.map(caution))) : null,
    ].filter(Boolean));
  }

  // What the casing grew by, if it was measured: without it the room is known less well. One pad for all fields.
  width() {
    const size = unit('length');
    const field = (id, value) => h('input', { id, value, inputmode: 'none', autocomplete: 'off', maxlength: 8, onfocus: (event) => { last = event.target; } });
    const pair = (name) => {
      const [before = '', after = ''] = (this.form[name] || '').replaceAll(` ${size}`, '').split(' -> ');
      return [field(`${name}-before`, before), field(`${name}-after`, after)];
    };
    const fields = { width: pair('width'), girth: pair('girth') };
    let [last] = fields.width;
    const pad = { get value() { return last.value; }, set value(text) { last.value = text; }, maxLength: 8 };
    const typed = (name) => fields[name].map((each) => each.value.trim().replace(',', '.')).filter(Boolean).map((text) => `${text} ${size}`).join(' -> ');
    const asked = (name) => [h('h3', {}, t(name)), h('p', {}, t(`${name}_how`)),
      h('label', {}, t('width_before', { unit: size }), fields[name][0]), h('label', {}, t('width_after', { unit: size }), fields[name][1])];
    return h('form', { id: 'width', onsubmit: (event) => { event.preventDefault(); this.answerTo({ width: typed('width'), girth: typed('girth') }); } },
      ...asked('width'), ...asked('girth'),
      numberPad(pad, point), h('button', { class: 'do', id: 'width-take' }, t('width_take')));
  }

  remembered(scope) {
    return h('p', { class: 'remembered' }, `✓ ${t(`remembered.${scope}`)} `,
      button(t(`ask_again.${scope}`), async () => {
        await this.app.send(act(scope === 'shift' ? 'new_shift' : 'machine_moved'));
        for (const each of this.answer.checks) each.given = each.given && scope === 'machine' && each.scope === 'shift';
        this.groups.ticks.clear();
        this.sheet.show(false);
        this.app.render();
      }));
  }

  // --- keys ---

  rail() {
    if (!me.name) return null;
    return [this.key(), () => this.app.drives ? this.next() : takeControls(this.app)];
  }

  next() {
    if (this.answer.refusal) return holdButton(t('other_liquid_known'), () => this.knows(), 'wait', { id: 'other-fluid', 'data-part': 'act' });
    if (this.grave.length && !this.read) return button(t('read_it'), () => { this.read = true; this.app.render(); }, 'do', { id: 'read', 'data-part': 'act' });
    return this.groups.act(() => holdButton(t('all_so_start'), () => this.start(), 'do', { id: 'start', 'data-part': 'act' }));
  }

  atTheGun() {
    if (!this.app.rig.start_button || !this.app.drives || !this.groups.last) return null;
    return button(t('start_at_gun'), () => this.start(false), 'plain', { id: 'start-at-gun' });
  }

  // On a rig with a tank of air: offered, never demanded.
  lookFirst() {
    return 'look' in this.answer && this.app.drives && button(t('look_first'), () => this.looks(), 'plain', { id: 'look' });
  }

  // Lengths that were measured belong to one look.
  looks() {
    this.form.width = this.form.girth = '';
    return this.app.order('look', { wheel: this.form, start: false });
  }

  // The book says that another liquid stands in the tote: whoever goes on says so, and the record too.
  knows() {
    return this.answerTo({ other_fluid: true });
  }

  // The same wheel asked about once more, with something added that the answer depends on.
  async answerTo(added) {
    const form = { ...this.form, ...added };
    const answer = await this.app.send(post('/api/answer', form));
    if (answer) {
      Object.assign(this, { form, answer });
      this.app.asked = { form, answer };
      this.sheet.show(false);
    }
    this.app.render();
  }

  async start(now = true) {
    const confirmed = this.answer.checks.map((each) => each.name);
    this.app.remember(this.form);
    const sent = await this.app.order('fill', { wheel: this.form, confirmed, start: now });
    if (sent) {
      this.app.ticks.clear();
      this.again();
      this.app.dismiss();
    }
  }
}

const caution = (each) => h('li', {}, h('strong', {}, `${t(`severity.${each.severity}`)}: `), `${sentence(each.text)} [${sentence(each.source)}]`);

export function takeControls(app) {
  const driver = app.picture?.driver;
  return button(driver ? t('ask_controls', { name: driver.name }) : t('take_controls'),
    async () => {
      const got = await app.send(post('/api/drive', { id: newId() }));
      if (got && !got.drives) app.say(t('asked'));
    }, 'do', { id: 'drive', 'data-part': 'act' });
}
