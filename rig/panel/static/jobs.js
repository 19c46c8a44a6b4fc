// Jobs: the next wheel of each is one touch; a job is made by entering its wheels, both sides of an axle at once.

import { Slot, button, h, holdButton } from './dom.js';
import { fleets } from './fleet.js';
import { get, me, newId, post } from './net.js';
import { pairPicture } from './pair.js';
import { quoteOf } from './quote.js';
import { Records } from './records.js';
import { shown } from './units.js';
import { few, sized } from './wheels.js';
import { known, t } from './words.js';

const FRESH_MS = 10000;
const SIGNS = { done: '✓', next: '▶', begun: '◐', open: '○' };
export const placeOf = (position) => known(`position.${position}`, position);

// The list on the first screen: jobs with something left to do, each with its next wheel ready to touch.
export class Jobs {
  constructor(app, ask) {
    this.app = app;
    this.ask = ask;
    this.slot = new Slot('div', { class: 'jobs' });
    this.element = this.slot.element;
    this.asked = -Infinity;
    this.drafts = [];
  }

  update() {
    // A customer's jobs are not for everybody who passes by.
    if (me.name && performance.now() - this.asked >= FRESH_MS) this.again();
  }

  again() {
    this.asked = performance.now();
    Promise.all([get('/api/jobs'), get('/api/drafts')]).then(([jobs, drafts]) => { this.drafts = drafts; this.show(jobs); }).catch(() => {});
  }

  show(jobs) {
    const open = jobs.filter((job) => job.next !== null);
    const done = jobs.filter((job) => job.next === null);
    this.slot.show(JSON.stringify([jobs, this.drafts]), () => [
      h('section', { class: 'card' }, h('h2', {}, t('jobs_open')),
        open.map((job) => this.job(job)),
        open.length ? null : h('p', {}, t('no_jobs')),
        button(this.begun('') ? t('go_on_job', { what: aboutDraft(this.begun('')) }) : t('new_job'), () => this.make({ job: '', wheels: [] }), this.begun('') ? 'do' : 'plain', { id: 'new-job' }),
        done.length ? h('details', {}, h('summary', {}, t('jobs_done', { count: done.length })), done.map((job) => this.job(job))) : null),
    ]);
  }

  // What this person has entered of a job and not kept yet.
  begun(job) {
    return this.drafts.find((each) => each.job === job);
  }

  make(job) {
    this.app.making = { ...job, ...this.begun(job.job) };
    if (me.name) this.app.go('job');
    else { this.app.signing = true; this.app.render(); }
  }

  job(job) {
    const next = job.next === null ? null : job.wheels[job.next];
    const whole = job.wheels.filter((wheel) => wheel.status === 'done').length;
    return h('div', { class: 'job' },
      h('h3', {}, [job.job, job.day, job.customer, job.machine, job.site && [job.site, job.site_number].filter(Boolean).join(' ')].filter(Boolean).join(' · ')),
      job.away ? h('p', {}, h('strong', {}, t('put_away')), ` ${job.away}`) : null,
      next ? h('button', { type: 'button', class: 'tile do next', onclick: () => this.goOn(job, next) },
        h('strong', {}, `${SIGNS.next} ${placeOf(next.form.position)} ${next.size}`),
        h('span', {}, ` ${next.to ? t('step_of', { step: t(`work.${next.step}`), to: next.to }) : t('wheel_of', { number: job.next + 1, count: job.wheels.length })}`)) : null,
      h('details', {}, h('summary', {}, t('wheels_done', { done: whole, count: job.wheels.length })),
        h('ul', { class: 'wheels' }, job.wheels.map((wheel, index) => this.wheel(job, wheel, index))),
        job.pairs.map(pairPicture),
        fleets(job.groups),
        this.quoting(job),
        new Records(this.app, { job: job.job }, t('records_of_job'), () => this.again()).element,
        job.away ? null : button(t('other_liquid_in'), () => this.convert(job), 'wide'),
        button(this.begun(job.job) ? t('go_on_change') : t(job.away ? 'take_up_job' : 'change_job'), () => this.make({ ...job, wheels: job.wheels.map((each) => each.form) }), 'wide')),
      job.quote ? quoteOf(this.app, job, () => this.again()) : null);
  }

  // Until somebody has accepted it a quote may be made anew; what was accepted stays.
  quoting(job) {
    if (!me.name || job.away || job.quote?.accepted_by) return null;
    return button(t(job.quote ? 'quote_anew' : 'make_quote'), async () => {
      if (await this.app.send(post(`/api/jobs/${encodeURIComponent(job.job)}/quote`, { id: newId() }))) this.again();
    }, 'wide');
  }

  // A wheel that changes its liquid is worked on step by step; any other one is filled.
  goOn(job, wheel) {
    if (wheel.to) this.convert(job);
    else this.ask(wheel.form);
  }

  convert(job) {
    this.app.converting = job.job;
    this.app.go('convert');
  }

  wheel(job, wheel, index) {
    const status = index === job.next && wheel.status === 'open' ? 'next' : wheel.status;
    const words = [
      h('span', {}, `${SIGNS[status]} ${t(`wheel.${status}`)}`),
      h('strong', {}, `${placeOf(wheel.form.position)} ${wheel.size}`),
      h('span', {}, [wheel.to || wheel.form.fluid, wheel.form.target, wheel.net_l === null ? '' : shown(wheel.net_l, 'volume')].filter(Boolean).join(' · ')),
    ];
    return h('li', {}, status === 'done' || job.away ? h('p', { class: 'row' }, words)
      : h('button', { type: 'button', class: 'row', onclick: () => this.goOn(job, wheel) }, words));
  }
}

const aboutDraft = ({ customer, machine, wheels }) => [customer, machine, t('wheels_now', { count: wheels.length })].filter(Boolean).join(' · ');

const DRAFT_MS = 400;
const AXLES = ['rear', 'front'];
const SIDES = ['left', 'right'];
const CLOCKS = ['12', '9', '8', '6', '4', '3'];

// Make a job, or give one another list of wheels.
export class JobScreen {
  constructor(app) {
    this.app = app;
    // Kept at the server as it is entered: another unit, a look elsewhere, a reload or another device does not lose it.
    this.job = app.making;
    this.wheels = this.job.wheels;
    this.list = new Slot('div', { id: 'job-wheels' });
    this.element = h('div', { class: 'columns' }, this.another(), this.about());
    this.show();
  }

  about() {
    const field = (name, more = {}) => h('label', {}, t(`field.${name}`),
      h('input', { id: `job-${name}`, value: this.job[name] || '', autocomplete: 'off', maxlength: 80, ...more, oninput: (event) => { this.job[name] = event.target.value; this.entered(); } }));
    const listed = (id, more) => {
      const list = h('datalist', { id });
      get(`/api/${id}`).then((found) => list.replaceChildren(...found.map((each) => h('option', { value: each.number }, [each.name, each[more]].filter(Boolean).join(', '))))).catch(() => {});
      return list;
    };
    return h('section', { class: 'card' }, h('h2', {}, this.job.job || t('new_job')),
      h('div', { class: 'fields' }, field('customer', { list: 'customers' }), listed('customers', 'city'), field('machine'), field('site', { list: 'sites' }), listed('sites', 'customer')),
      this.list.element,
      button(t('keep_job'), () => this.keep(), 'wide', { id: 'keep-job' }),
      button(t('leave_job'), () => this.leave(), 'plain', { id: 'leave-job' }),
      holdButton(t('discard_job'), () => this.discard(), 'plain', { id: 'discard-job' }),
      this.job.job && !this.job.away ? this.away() : null);
  }

  // Nothing is deleted: the book keeps that it was put away, by whom and why, and keeping it anew takes it up again.
  away() {
    const why = h('input', { id: 'why-away', maxlength: 120, autocomplete: 'off', placeholder: t('example.why_away') });
    return h('details', {}, h('summary', {}, t('put_away_how')), h('p', {}, t('put_away_text')),
      h('div', { class: 'fields' }, h('label', {}, t('field.why_away'), why)),
      holdButton(t('put_away_now'), async () => {
        const away = await this.app.send(post(`/api/jobs/${encodeURIComponent(this.job.job)}/put-away`, { why: why.value }));
        if (away) this.app.go('work');
      }, 'wait', { id: 'put-away' }));
  }

  another() {
    const field = (name, more = {}) => h('label', {}, t(`field.${name}`),
      h('input', { name, id: `job-${name}`, placeholder: t(`example.${name}`), autocomplete: 'off', ...more }));
    const chips = (name, legend, values, label, checked) => h('fieldset', { class: 'chips' }, h('legend', {}, legend),
      values.map((value) => h('label', { class: 'chip' },
        h('input', { type: 'radio', name, value, checked: value === checked, onchange: () => this.taken(form) }), h('span', {}, label(value)))));
    const names = few().map((wheel) => wheel.name);
    const form = h('form', { id: 'add-wheels', oninput: () => this.entered(), onsubmit: (event) => { event.preventDefault(); this.add(); } },
      names.length ? chips('wheel', t('shop_wheel'), ['', ...names], (name) => name || t('by_size'), '') : null,
      h('div', { class: 'by-size' }, field('size', { list: 'shop-wheels' })),
      chips('axle', t('axle'), AXLES, (axle) => t(`axle.${axle}`), 'rear'),
      chips('sides', t('sides'), ['both', ...SIDES], (side) => t(`side.${side}`), 'both'),
      h('details', {}, h('summary', {}, t('wheel_more')), field('place'), field('fluid'), field('target'), field('valve'),
        h('label', {}, t('field.valve_at'), h('select', { name: 'valve_at' }, CLOCKS.map((clock) => h('option', { value: clock }, t('clock', { clock })))))),
      h('button', { class: 'do', id: 'add' }, t('add_wheels')));
    this.typed = form;
    for (const [name, value] of Object.entries(this.job.typed || {})) if (form.elements[name]) form.elements[name].value = value;
    this.taken(form);
    return h('section', { class: 'card' }, h('h2', {}, t('wheels_of_job')), form);
  }

  // --- the draft ---

  entered() {
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.flush(), DRAFT_MS);
  }

  // At once where the page goes away.
  flush() {
    if (!this.waiting) return null;
    clearTimeout(this.waiting);
    this.waiting = null;
    const { job, customer = '', machine = '', site = '' } = this.job;
    return post('/api/drafts', { job, customer: customer || '', machine: machine || '', site: site || '', wheels: this.wheels, typed: Object.fromEntries(new FormData(this.typed)) }).catch(() => {});
  }

  leave() {
    this.flush();
    this.app.go('work');
  }

  async discard() {
    clearTimeout(this.waiting);
    this.waiting = null;
    if (await this.app.send(post('/api/drafts/drop', { job: this.job.job }))) this.app.go('work');
  }

  // --- wheels ---

  taken(form) {
    form.querySelector('.by-size').hidden = Boolean(form.elements.wheel?.value);
  }

  // Both sides of an axle at once; returns whether there was a wheel to add.
  add() {
    const { wheel: chosen = '', size: typed = '', axle, sides, place, ...more } = Object.fromEntries(new FormData(this.typed));
    const { wheel, size } = chosen ? { wheel: chosen, size: '' } : sized(typed);
    if (!wheel && !size) { this.app.say(t('size_first')); return false; }
    const kind = wheel ? { ...more, wheel, valve_at: '' } : { ...more, size };
    for (const side of sides === 'both' ? SIDES : [sides]) {
      this.wheels.push({ ...kind, position: [place.trim() || axle, side].join(' ') });
    }
    this.typed.elements.size.value = '';
    this.app.say(t('wheels_now', { count: this.wheels.length }));
    this.entered();
    this.show();
    return true;
  }

  show() {
    this.list.key = null;
    this.list.show('now', () => this.wheels.length
      ? h('ol', { class: 'wheels' }, this.wheels.map((wheel, index) => h('li', {},
        h('span', {}, [placeOf(wheel.position), wheel.wheel || wheel.size, wheel.fluid, wheel.target].filter(Boolean).join(' · ')),
        button(t('take_off'), () => { this.wheels.splice(index, 1); this.entered(); this.show(); }, 'plain', { 'aria-label': t('take_off_this', { wheel: placeOf(wheel.position) }) }))))
      : h('p', {}, t('no_wheels')));
  }

  // A wheel that is entered and not added yet is meant too. The first wheel is asked about at once where it is to be filled now.
  async keep(now = false) {
    if ((this.typed.elements.size.value.trim() || !this.wheels.length) && !this.add()) return;
    await this.flush();
    const { job, customer, machine, site } = this.job;
    const kept = await this.app.send(post('/api/jobs', { job, customer: customer || '', machine: machine || '', site: site || '', wheels: this.wheels }));
    if (!kept) return;
    const next = now && kept.wheels[kept.next];
    const form = next && !next.to && { ...next.form, support: this.app.form?.support || 'jacked' };
    const answer = form && await this.app.send(post('/api/answer', form));
    if (answer) {
      this.app.ticks.clear();
      this.app.asked = { form, answer };
    }
    this.app.go('work');
  }

  rail(fill) {
    return fill || this.app.picture.busy ? null : ['keep and fill', () => button(t('keep_and_fill'), () => this.keep(true), 'do', { id: 'keep-and-fill', 'data-part': 'act' })];
  }

  update() {}
}
