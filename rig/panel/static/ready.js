// The answer for one wheel and the ready check under it: a sentence, a picture, cautions, and what only a person can
// say. What holds for the shift and the machine is asked once; what is about the wheel is said with the start.

import { button, h, holdButton } from './dom.js';
import { act, me, newId, post } from './net.js';
import { shown } from './units.js';
import { Wheel } from './wheel.js';
import { t, known } from './words.js';

const SCOPES = ['shift', 'machine'];
let drawn = 0;

export class Ready {
  constructor(app, form, answer, again) {
    this.app = app;
    this.form = form;
    this.answer = answer;
    this.again = again;
    this.element = h('section', { class: 'card answer' });
    this.key = '';
    this.update();
  }

  update() {
    const key = JSON.stringify([this.app.drives, me.name, [...this.app.ticks], this.app.picture?.driver?.name]);
    if (key === this.key) return;
    this.key = key;
    this.element.replaceChildren(...this.parts().filter(Boolean));
  }

  sentence() {
    const a = this.answer;
    return t('answer_sentence', {
      volume: shown(a.target_l, 'volume'), mass: shown(a.mass_kg, 'mass'), level: t(`level.${a.level}`, { clock: a.valve_at }),
    });
  }

  parts() {
    const a = this.answer;
    const wheel = new Wheel(this.sentence(), (drawn += 1));
    wheel.draw(a.wheel, a.fill_fraction);
    wheel.fill(a.fill_fraction, '', this.sentence());
    return [
      h('h2', {}, [this.form.wheel, a.size, known(`position.${this.form.position}`, this.form.position), this.form.job].filter(Boolean).join(', ')),
      h('p', { class: 'huge', id: 'sentence' }, this.sentence()),
      h('p', {}, t('answer_more', {
        fluid: a.fluid, strokes: a.strokes, minutes: Math.max(1, Math.round(a.expected_minutes)),
        pressure: shown(a.final_kpa, 'pressure'), low: shown(a.target_low_l, 'volume'), high: shown(a.target_high_l, 'volume'),
      })),
      this.again ? wheel.element : null,
      a.refusal ? h('p', { class: 'against' }, h('strong', {}, t('other_liquid')), ` ${a.refusal}`) : null,
      ...a.against.map((each) => h('p', { class: 'against' }, h('strong', {}, t('no_liquid')), ` ${each.text} [${each.source}]`)),
      a.cautions.length ? this.cautions(a.cautions) : null,
      ...(this.app.drives ? this.checks() : [this.locked()]),
      this.again ? button(t('another_wheel'), this.again) : wheel.element,
    ];
  }

  cautions(listed) {
    const grave = listed.filter((each) => each.severity === 'danger');
    const rest = listed.filter((each) => each.severity !== 'danger');
    const line = (each) => h('li', {}, h('strong', {}, `${t(`severity.${each.severity}`)}: `), `${each.text} [${each.source}]`);
    return h('div', { class: 'cautions' },
      grave.length ? h('ul', {}, grave.map(line)) : null,
      rest.length ? h('details', {}, h('summary', {}, t('cautions', { count: rest.length })), h('ul', {}, rest.map(line))) : null);
  }

  locked() {
    if (!me.name) return button(t('sign_in_to_fill'), () => { this.app.signing = true; this.app.render(); }, 'do');
    return takeControls(this.app);
  }

  // The book says that another liquid stands in the tote: whoever goes on says so, and the record too.
  knows() {
    return [holdButton(t('other_liquid_known'), async () => {
      this.form = { ...this.form, other_fluid: true };
      const answer = await this.app.send(post('/api/answer', this.form));
      if (answer) { this.answer = answer; this.key = ''; this.update(); }
    }, 'wait', { id: 'other-fluid' })];
  }

  checks() {
    if (this.answer.refusal) return this.knows();
    const open = (scope) => this.answer.checks.filter((each) => each.scope === scope && !each.given);
    const text = (each) => h('li', {}, known(`check.${each.name}`, each.text));
    const cards = SCOPES.map((scope) => {
      const asked = open(scope);
      const given = this.answer.checks.filter((each) => each.scope === scope && each.given);
      if (!asked.length) return given.length ? this.remembered(scope) : null;
      const yes = this.app.ticks.has(scope);
      return h('div', { class: 'check' }, h('h3', {}, t(`scope.${scope}`)), h('ul', {}, asked.map(text)),
        button(yes ? t('said_so') : t('all_so'), () => this.tick(scope), yes ? 'said' : 'do', { 'aria-pressed': String(yes), id: `check-${scope}` }));
    });
    const waits = SCOPES.some((scope) => open(scope).length && !this.app.ticks.has(scope));
    return [
      ...cards,
      h('div', { class: 'check' }, h('h3', {}, t('scope.wheel')), h('ul', {}, open('wheel').map(text)),
        holdButton(t('all_so_start'), () => this.start(), 'do', { id: 'start', disabled: waits }),
        this.app.rig.start_button
          ? button(t('start_at_gun'), () => this.start(false), 'plain', { id: 'start-at-gun', disabled: waits }) : null,
        waits ? h('p', {}, t('first_above')) : null),
    ];
  }

  remembered(scope) {
    return h('p', { class: 'remembered' }, `✓ ${t(`remembered.${scope}`)} `,
      button(t(`ask_again.${scope}`), async () => {
        await this.app.send(act(scope === 'shift' ? 'new_shift' : 'machine_moved'));
        for (const each of this.answer.checks) each.given = each.given && scope === 'machine' && each.scope === 'shift';
        this.app.ticks.clear();
        this.key = '';
        this.update();
      }));
  }

  tick(scope) {
    if (!this.app.ticks.delete(scope)) this.app.ticks.add(scope);
    this.update();
  }

  async start(now = true) {
    const confirmed = this.answer.checks.map((each) => each.name);
    this.app.remember(this.form);
    const sent = await this.app.order('fill', { wheel: this.form, confirmed, start: now });
    if (sent) {
      this.app.ticks.clear();
      this.again?.();
      this.app.dismiss();
    }
  }
}

export function takeControls(app) {
  const driver = app.picture?.driver;
  return button(driver ? t('ask_controls', { name: driver.name }) : t('take_controls'),
    async () => {
      const got = await app.send(post('/api/drive', { id: newId() }));
      if (got && !got.drives) app.say(t('asked'));
    }, 'do', { id: 'drive' });
}
