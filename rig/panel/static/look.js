// The look with air before the first drop: both pressures, what goes on or a hand has to do, and why it ended without a result.
// It stands until the wheel has been asked about anew. Loaded late (assets.py).

import { Slot, button, h, holdButton } from './dom.js';
import { Figure, Gauge } from './gauge.js';
import { act, me, post } from './net.js';
import { bare, unit } from './units.js';
import { known, sentence, t } from './words.js';

export class Screen {
  constructor(app) {
    this.app = app;
    app.looked = true;
    this.leaving = false;
    this.tank = new Figure('pressure', 'tank');
    this.tyre = new Figure('pressure', 'tyre');
    this.gauge = new Gauge();
    this.where = h('h2', {});
    this.advice = h('p', { class: 'of', id: 'width-now' }, t('width_now'));
    this.todo = new Slot('section', { class: 'tell now', id: 'todo' });
    this.element = h('div', { class: 'frame looking' }, h('section', { class: 'big' }, this.tyre.element, this.where, this.advice),
      h('section', { class: 'press' }, h('div', { class: 'small' }, this.tank.element), this.gauge.element), this.todo.element);
  }

  update({ look, busy, notice }) {
    if (look) return this.draw(look);
    if (busy) return null;
    // Whoever only looks on has nothing to answer.
    if (!notice || !this.app.drives) return this.leave();
    return this.todo.show(sentence(notice), () => h('p', { class: 'against', role: 'alert', 'data-part': 'next' }, sentence(notice)));
  }

  draw(look) {
    this.where.textContent = [look.size, known(`position.${look.position}`, look.position)].filter(Boolean).join(', ');
    this.tank.show(bare(look.tank_kpa, 'pressure'), unit('pressure'), t('air_tank'));
    this.tyre.show(bare(look.tyre_kpa, 'pressure'), unit('pressure'), t('tyre'));
    this.gauge.show({ tyre_kpa: look.tyre_kpa, floor_kpa: 0, ceiling_kpa: look.limit_kpa, trip_kpa: look.trip_kpa }, false);
    this.todo.show(sentence(look.text), () => h('p', { class: look.prompt ? 'ask' : 'next', 'data-part': 'next' }, sentence(look.text)));
    this.advice.hidden = look.prompt?.name !== 'air_connect';
  }

  // Back to the wheel, asked about anew now that its room may be known.
  async leave() {
    if (this.leaving) return;
    this.leaving = true;
    const { asked } = this.app;
    const answer = asked && me.name ? await this.app.send(post('/api/answer', asked.form)) : null;
    if (answer) asked.answer = answer;
    this.app.looked = false;
    this.app.render();
  }

  rail() {
    const { app } = this;
    const { look, notice } = app.picture;
    if (!app.drives) return null;
    if (!look && notice) return ['read', () => button(t('read_it'), () => this.leave(), 'do', { id: 'read', 'data-part': 'act' })];
    const prompt = look?.prompt;
    return prompt ? [prompt.name, () => holdButton(sentence(prompt.done), () => app.send(act('answer', prompt.name)), 'do', { id: 'prompt-done', 'data-part': 'act' })] : null;
  }
}
