// The page as a whole: which screen stands there now, the bar with STOP, and what is shown when the controller is gone.

import { ring, sound, stayAwake, wake } from './alarm.js';
import { ConvertScreen } from './convert.js';
import { Slot, button, guideLink, h, say } from './dom.js';
import { DoneScreen } from './done.js';
import { FillScreen } from './fill.js';
import { bandOf } from './frame.js';
// Written by the server as it starts: what does not change while the page is served.
import * as given from './given.js';
import { JobScreen } from './jobs.js';
import { languageChoice } from './languages.js';
import { LateScreen } from './late.js';
import { HistoryScreen, MeterScreen } from './more.js';
import { me, newId, post, watch, whoAmI } from './net.js';
import { ask, notify, unasked as notifyUnasked } from './notify.js';
import { PickScreen } from './pick.js';
import { ProofScreen } from './prove.js';
import { SignScreen } from './sign.js';
import * as units from './units.js';
import { learn, sentence, t } from './words.js';

const SAID_MS = 7000;
const parts = Object.fromEntries(['top', 'pages', 'asks', 'after', 'work', 'stale', 'act', 'said'].map((id) => [id, document.getElementById(id)]));
const top = new Slot('div', { class: 'bar' });
const pages = new Slot('div', { class: 'open' });
const asks = new Slot();
const act_ = new Slot();
const after = new Slot();

export const app = {
  rig: null,
  picture: null,
  tab: 'work',
  signing: false,
  clock: null,
  menu: false,
  form: JSON.parse(sessionStorage.getItem('rig-form') || 'null'),
  making: null, // The job that is being made or changed.
  converting: '', // The job whose wheels are to hold another liquid.
  asked: null, // The wheel that is asked about, so that another unit or page does not lose it.
  ticks: new Set(),
  seenRecord: sessionStorage.getItem('rig-seen') || '',
  drawn: null, // The wheel as the last fill left it on the picture.
  screen: null,
  key: '',
  stale: true,
  sent: 0, // Touches, in the order in which they were made,
  told: 0, // and the last of them whose answer was told.

  get drives() {
    return Boolean(me.name && this.picture?.driver && this.picture.driver.id === me.id);
  },

  // Sends a touch and tells what came of it; a refusal is said in words, never swallowed.
  async send(promise) {
    const touch = ++this.sent;
    try {
      const body = await promise;
      this.tell(touch, '');
      return body;
    } catch (error) {
      this.tell(touch, error.status ? error.message : t('not_reached'));
      if (error.status === 401) {
        await whoAmI().catch(() => {});
        this.signing = true;
      }
      this.render();
      return null;
    }
  },

  // Answers may come in another order than their touches: an old one does not take a newer one's place.
  tell(touch, text) {
    if (touch < this.told && parts.said.textContent) return;
    this.told = Math.max(touch, this.told);
    this.say(text);
  },

  say(text) {
    say(parts.said, text);
    clearTimeout(this.forget);
    this.forget = setTimeout(() => say(parts.said, ''), SAID_MS);
  },

  remember(form) {
    this.form = form;
    sessionStorage.setItem('rig-form', JSON.stringify(form));
  },

  dismiss() {
    this.seenRecord = this.picture?.record?.fill_id || '';
    sessionStorage.setItem('rig-seen', this.seenRecord);
    this.render();
  },

  async order(kind, more) {
    const sent = await this.send(post('/api/order', { id: newId(), kind, ...more }));
    if (sent) this.tab = 'work';
    return sent;
  },

  go(tab) {
    this.tab = tab;
    this.signing = false;
    this.menu = false;
    this.render();
    parts.work.focus();
    parts.work.scrollTo(0, 0);
  },

  render() {
    renderAfter();
    renderWork();
    renderTop();
    renderAsks();
    renderFoot();
  },
};

function renderTop() {
  const band = bandOf(app);
  top.show(JSON.stringify([band.key, app.menu]), () => [
    band.build(),
    button(t('menu'), () => { app.menu = !app.menu; app.render(); }, 'menu', { 'aria-expanded': String(app.menu), 'aria-controls': 'pages' }),
  ]);
  parts.pages.hidden = !app.menu;
  const mayAsk = notifyUnasked();
  pages.show(JSON.stringify([units.chosen(), me.name, app.tab, mayAsk]), () => [
    ['work', ...(me.name ? ['history', 'customers', 'stock', 'meter'] : []), ...(me.role === 'supervisor' ? ['settings'] : [])].map((tab) =>
      button(t(`tab.${tab}`), () => app.go(tab), 'tab', { 'aria-current': tab === app.tab ? 'page' : null })),
    guideLink('', t('guide')),
    h('label', {}, t('units'),
      h('select', { onchange: (event) => { units.choose(event.target.value); app.key = ''; pages.key = ''; app.render(); } },
        units.names.map((name) => h('option', { value: name, selected: name === units.chosen() }, t(`units.${name}`))))),
    h('label', {}, t('language'), languageChoice()),
    mayAsk ? button(t('notify_me'), () => ask().then(() => app.render()), 'tab', { id: 'notify' }) : null,
    me.name ? button(t('sign_out'), signOut, 'tab') : button(t('sign_in_menu'), sign, 'tab'),
  ]);
}

// What is asked of the person here, over the work and beside the rail.
function renderAsks() {
  const name = !app.stale && app.drives && app.picture.asking ? app.picture.asking.name : '';
  asks.show(JSON.stringify([name, me.name, app.clock]), () => [
    name ? h('div', { class: 'asked' }, t('asks_for_controls', { name }),
      button(t('hand_over'), () => app.send(post('/api/hand-over', { id: newId(), give: true })), 'do'),
      button(t('keep'), () => app.send(post('/api/hand-over', { id: newId(), give: false })))) : null,
    me.name && app.clock ? h('div', { class: 'asked', id: 'clock' },
      t('clock_unsure', { shown: app.clock.shown, device: new Date().toLocaleString(units.language) }),
      button(t('clock_take'), () => sayClock(new Date().toISOString()), 'do'),
      button(t('clock_leave'), () => sayClock(''))) : null,
  ]);
}

async function sayClock(at) {
  if (await app.send(post('/api/clock', { id: newId(), at }))) app.clock = null;
  app.render();
}

function sign() {
  app.signing = true;
  app.menu = false;
  app.render();
}

async function signOut() {
  await app.send(post('/api/sign-out', {}));
  await whoAmI().catch(() => {});
  app.menu = false;
  app.tab = 'work';
  app.reopen();
  app.render();
}

// The rail: the one next act, always beside STOP; a screen without one leaves its place empty.
function renderFoot() {
  const offered = !app.stale && app.screen?.rail?.(app.picture?.fill);
  const sign_in = !app.stale && !me.name && !app.signing && app.picture;
  const [key, build] = offered || (sign_in ? ['sign in', () => button(t('sign_in'), sign, 'do', { 'data-part': 'act' })] : ['', () => null]);
  act_.show(key, build);
}

function screenFor(picture) {
  if (app.signing && !me.name) return ['sign', () => new SignScreen(app)];
  if (app.rig && !app.rig.looking && !me.name) return ['sign', () => new SignScreen(app)];
  if (app.tab === 'job' && me.name) return ['job', () => new JobScreen(app)];
  if (app.tab === 'convert') return [`convert ${app.converting}`, () => new ConvertScreen(app)];
  if (app.tab === 'history') return ['history', () => new HistoryScreen(app)];
  if (app.tab === 'customers') return ['customers', () => new LateScreen('customers', app)];
  if (app.tab === 'stock') return ['stock', () => new LateScreen('stock', app)];
  if (app.tab === 'meter') return ['meter', () => new MeterScreen(app)];
  if (app.tab === 'settings') return ['settings', () => new LateScreen('settings', app)];
  if (!picture) return ['none', () => ({ element: h('p', {}, t('connecting')), update() {} })];
  if (picture.fill) return [`fill ${picture.fill.id}`, () => new FillScreen(app)];
  if (picture.look || app.looked) return ['look', () => new LateScreen('look', app)];
  if (picture.proof?.asks) return ['proof', () => new ProofScreen(app)];
  if (picture.busy) return ['busy', () => ({ element: h('p', { class: 'huge' }, t('getting_ready')), update() {} })];
  const record = picture.record;
  if (record && record.fill_id !== app.seenRecord) return [`done ${record.fill_id}`, () => new DoneScreen(app, record)];
  return ['pick', () => new PickScreen(app)];
}

// Above whatever stands there: the fill is over, and something goes on that nobody switched on.
function renderAfter() {
  const found = !app.stale && !app.picture?.fill && app.picture?.live.unasked;
  after.show(JSON.stringify(found || null), () => found ? h('section', { class: 'alarm', role: 'alert', id: 'unasked' },
    h('h2', {}, h('span', { 'aria-hidden': 'true' }, '⚠ '), sentence(found.text)),
    h('p', { class: 'huge' }, h('strong', {}, t('first')), ' ', sentence(found.first)),
    guideLink(`alarms/${found.name}`, t('alarm_guide'))) : null);
}

// While the rig is not heard nothing is built: what stands there is out of sight, and keeps what a person has typed.
function renderWork() {
  if (!parts.stale.hidden) return;
  const [name, build] = screenFor(app.picture);
  const key = `${name} ${units.chosen()} ${me.name}`;
  if (key !== app.key) {
    app.key = key;
    app.screen = build();
    parts.work.replaceChildren(app.screen.element);
    parts.work.scrollTo(0, 0);
  }
  if (app.picture) app.screen.update(app.picture);
}

function show(picture) {
  const before = app.picture?.fill;
  const asking = app.picture?.asking?.id;
  app.picture = picture;
  // Whoever has asked for the controls hears the answer.
  if (me.id && asking === me.id && picture.asking?.id !== me.id) {
    app.say(t(app.drives ? 'given_to_you' : 'kept_by', { name: picture.driver?.name }));
    ring('answer');
  }
  app.stale = false;
  if (!parts.stale.hidden) {
    parts.stale.hidden = true;
    document.body.classList.remove('stale');
    app.screen?.regain?.();
    whoAmI().then(() => app.render()).catch(() => {});
  }
  const fill = picture.fill;
  const cannot = fill?.cannot && !fill.cannot.supply_cut;
  const unasked = !fill && picture.live.unasked;
  const occasion = cannot ? 'alarm:off_unconfirmed' : unasked ? `alarm:${unasked.name}` : fill?.alarm ? `alarm:${fill.alarm.name}` : fill?.prompt ? `prompt:${fill.prompt.name}` : '';
  const done = !fill && picture.record && picture.record.fill_id !== app.seenRecord ? `done:${picture.record.fill_id}` : '';
  // What wants a person brings the page back to the work.
  if (occasion && !(before && (before.cannot || before.alarm || before.prompt))) app.tab = 'work';
  const wants = fill?.alarm || unasked || fill?.prompt;
  sound(occasion || done);
  notify(occasion || done, `${bandOf(app).word} · ${app.rig.name}`, wants ? sentence(wants.text) : '');
  stayAwake(Boolean(fill));
  app.render();
}

function lost() {
  if (app.stale && !parts.stale.hidden) return;
  app.stale = true;
  app.picture = null;
  document.body.classList.add('stale');
  parts.stale.hidden = false;
  parts.stale.replaceChildren(h('strong', {}, t('stale')), h('p', { 'data-part': 'first-action' }, t('stale_do')));
  sound('alarm:stale');
  notify('alarm:stale', t('stale'), t('stale_do'));
  renderAfter();
  renderTop();
  renderAsks();
  renderFoot();
}

addEventListener('pagehide', () => app.screen?.flush?.());
document.addEventListener('pointerdown', wake);
document.addEventListener('keydown', wake);

async function begin() {
  for (const [place, slot] of Object.entries({ top, pages, asks, act: act_, after })) parts[place].append(slot.element);
  learn(given.texts);
  app.rig = given.rig;
  units.recall(app.rig.units);
  await whoAmI();
  document.title = app.rig.name;
  app.reopen = watch(show, lost);
  app.render();
}

begin().catch(() => setTimeout(() => location.reload(), 1000));
