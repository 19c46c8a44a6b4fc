// The page of the office: one part at a time, each a document of the server; it only reads.

import { button, h, say } from './dom.js';
import * as given from './given.js';
import { languageChoice } from './languages.js';
import { machine } from './machine.js';
import * as units from './units.js';
import { clock, known, learn, sentence, t } from './words.js';

const place = (id) => document.getElementById(id);
const DAY_H = 24;
let me = null;
let part = '';
let asked = 0; // Answers may come late: only that of the last question is shown.

async function call(path, body = null) {
  const more = body && { method: 'POST', body: JSON.stringify(body), headers: { 'Content-Type': 'application/json', 'X-Rig': 'page', 'X-CSRF': me?.csrf ?? '' } };
  const reply = await fetch(path, { cache: 'no-store', ...more });
  const found = await reply.json().catch(() => ({}));
  if (reply.ok) return found;
  if (reply.status === 401 && me) {
    me = null;
    frame();
  }
  throw new Error(sentence(found.told) || found.error || String(reply.status));
}

async function tried(work) {
  try {
    say(place('said'), '');
    return await work();
  } catch (error) {
    say(place('said'), error.message);
    return null;
  }
}

const ask = (name, query = {}) => call(`/api/${name}?${new URLSearchParams(Object.entries(query).filter(([, value]) => value))}`);
const when = (at) => (at ? clock(at) : t('office.unknown'));
const litres = (value) => (value === null || value === undefined ? t('office.unknown') : units.shown(value, 'volume'));
const money = (row) => (row.total === null ? '–' : `${units.written(row.total)} ${row.currency}`);
const dash = (text) => text || '–';

function age(at, now) {
  if (!at) return t('office.unknown');
  const hours = (Date.parse(now) - Date.parse(at)) / 3600000;
  if (hours < 1) return t('office.within_hour');
  return hours < 2 * DAY_H ? t('office.hours', { n: Math.floor(hours) }) : t('office.days', { n: Math.floor(hours / DAY_H) });
}

// Columns are pairs of a heading and what a row shows there; on a phone each row is a card with its headings.
function table(title, rows, columns, none = t('office.nothing')) {
  if (!rows.length) return h('section', {}, h('h2', {}, title), h('p', {}, none));
  const cells = (row) => columns.map(([heading, show], first) =>
    h(first ? 'td' : 'th', { 'data-heading': heading, scope: first ? null : 'row' }, show(row)));
  return h('section', {}, h('table', {}, h('caption', {}, title),
    h('thead', {}, h('tr', {}, columns.map(([heading]) => h('th', { scope: 'col' }, heading)))),
    h('tbody', {}, rows.map((row) => h('tr', {}, cells(row))))));
}

const field = (name, more = {}) => h('label', {}, t(`office.field.${name}`),
  h('input', { name, id: `field-${name}`, autocomplete: 'off', maxlength: 120, ...more }));

function form(fields, text, done) {
  const made = h('form', { class: 'asking', onsubmit: (event) => {
    event.preventDefault();
    done(Object.fromEntries(new FormData(made)));
  } }, fields, h('button', { class: 'do' }, text));
  return made;
}

const shows = {
  async trucks() {
    const { trucks, now } = await ask('trucks');
    return table(t('office.trucks'), trucks, [
      [t('office.truck'), (row) => row.name], [t('office.last_at'), (row) => when(row.at)],
      [t('office.age'), (row) => age(row.at, now)], [t('office.heard'), (row) => when(row.heard)],
      [t('office.waiting'), (row) => (row.waiting === null ? t('office.unknown') : String(row.waiting))], [t('office.serial'), (row) => String(row.serial)],
      [t('office.signed'), (row) => (row.signed === null ? t('office.unknown') : String(row.signed))],
      [t('office.key'), (row) => known(`office.key.${row.key}`, row.key)]]);
  },
  async work() {
    const found = h('div', {});
    const load = (query) => tried(async () => {
      const { given: jobs } = await ask('work', query);
      found.replaceChildren(table(query.day ? t('office.of_day', { day: query.day }) : t('office.given'), jobs, [[t('office.job'), (row) => row.job], [t('office.day'), (row) => dash(row.day)],
        [t('office.customer'), (row) => dash(row.customer)], [t('office.truck'), (row) => row.truck], [t('office.machine'), (row) => dash(row.machine)],
        [t('office.site'), (row) => dash([row.site, row.site_number].filter(Boolean).join(' '))], [t('office.state'), (row) => t(row.begun ? 'office.begun' : 'office.not_begun')], [t('office.given_at'), (row) => when(row.at)]]));
    });
    const { work, since } = await ask('work');
    await load({});
    return [form([field('day', { type: 'date' })], t('office.show'), load), found, table(t('office.work'), work, [
      [t('office.job'), (row) => dash(row.job)], [t('office.customer'), (row) => dash(row.customer)],
      [t('office.truck'), (row) => row.truck], [t('office.fills'), (row) => String(row.fills)],
      [t('office.volume'), (row) => litres(row.litres) + (row.unknown ? ` ${t('office.and_unknown', { n: row.unknown })}` : '')],
      [t('office.last'), (row) => when(row.last)], [t('office.before'), (row) => dash(row.before)]]), period(since)];
  },
  async bills() {
    const { unbilled, issued, sums, since } = await ask('bills');
    const who = [t('office.customer'), (row) => dash(row.customer)];
    return [
      table(t('office.unbilled'), unbilled, [[t('office.job'), (row) => dash(row.job)], who, [t('office.truck'), (row) => row.truck],
        [t('office.total'), (row) => (row.why ? h('small', {}, sentence(row.why)) : money(row))]]),
      table(t('office.sums'), sums, [who, [t('office.total'), money]]),
      table(t('office.issued'), issued, [[t('office.invoice'), (row) => row.invoice], [t('office.date'), (row) => row.date],
        [t('office.job'), (row) => row.job], who, [t('office.total'), money],
        [t('office.state'), (row) => (row.state ? t(`office.state.${row.state}`) : '–')]]),
      period(since)];
  },
  async month() {
    const found = h('div', {});
    const load = (query) => tried(async () => found.replaceChildren(...[await month(query, load)].flat()));
    const now = new Date();
    const value = `${now.getFullYear()}-${String(now.getMonth() + 1).padStart(2, '0')}`;
    await load({ month: value });
    return [form([field('month', { value, pattern: '[0-9]{4}-[0-9]{2}', required: true }), field('customer')], t('office.show'), load), found];
  },
  async stock() {
    const { vessels, why } = await ask('stock');
    return [why ? h('p', { class: 'against' }, why) : null, vessels.length ? vessels.map((each) => h('section', { class: 'card' },
      h('h2', {}, sentence(each.title)), h('p', { class: 'huge' }, litres(each.holds)),
      h('p', {}, [each.fluids.join(', '), `${t('office.dipped')}: ${when(each.dipped)}`].filter(Boolean).join(' · ')), each.said ? h('p', {}, sentence(each.said)) : null)) : h('p', {}, t('office.nothing'))];
  },
  async fills() {
    const found = h('div', {});
    let query = {};
    const load = async (before) => {
      const { fills, rest } = await ask('fills', { ...query, before: before && JSON.stringify(before) });
      found.lastElementChild?.matches('.more') && found.lastElementChild.remove();
      found.append(table(before ? t('office.more_fills') : t('office.fills_found'), fills, fillColumns(), rest ? t('office.none_here') : t('office.nothing')));
      if (rest) found.append(h('p', { class: 'more' }, `${t('office.looked_to')} ${when(rest[0])} `, button(t('office.go_on'), () => tried(() => load(rest)), 'do')));
    };
    const { trucks } = await ask('fills');
    await load(null);
    const truck = h('label', {}, t('office.truck'), h('select', { name: 'truck', id: 'field-truck' }, h('option', { value: '' }, t('office.all')),
      trucks.map((each) => h('option', { value: each.truck }, each.name))));
    return [form([field('customer'), field('wheel'), truck, field('since', { type: 'date' }), field('until', { type: 'date' })], t('office.search'), (said) => {
      query = said;
      found.replaceChildren();
      tried(() => load(null));
    }), found];
  },
  async wheels() {
    const found = h('div', {});
    return [form([field('customer', { required: true })], t('office.show'), (said) => tried(async () => {
      const { machines } = await ask('wheels', said);
      const beside = (row) => [row.size, litres(row.litres), row.at ? row.at.slice(0, 10) : t('office.unknown')];
      found.replaceChildren(...(machines.length ? machines.map((each) => h('div', {}, each.machine ? machine(each.machine, each.wheels, beside) : null, table(each.machine || t('office.no_machine'), each.wheels, [
        [t('office.position'), (row) => dash(row.position)], [t('office.size'), (row) => row.size], [t('office.fluid'), (row) => row.fluid],
        [t('office.volume'), (row) => litres(row.litres)], [t('office.last'), (row) => when(row.at)]]))) : [h('p', {}, t('office.nothing'))]));
    })), found];
  },
  async meters() {
    const { meters } = await ask('meters');
    return meters.length ? meters.map((each) => h('section', { class: 'card' }, h('h2', {}, each.truck), each.meter === null ? h('p', {}, t('office.no_fill')) : [
      h('dl', { class: 'figures' }, Object.entries({ meter: each.meter, factor: units.number(each.factor, 4), proven: each.proven ?? t('office.not_proven'),
        uncertainty: each.u_percent === null ? t('office.unknown') : `± ${each.u_percent} %`, fills: String(each.fills) })
        .map(([name, text]) => h('div', {}, h('dt', {}, t(`office.meter.${name}`)), h('dd', {}, text)))),
      h('p', {}, each.advice), each.verdicts.length ? h('ul', {}, each.verdicts.map((one) => h('li', {}, one.text))) : null])) : h('p', {}, t('office.nothing'));
  },
};

const period = (since) => h('p', {}, t('office.since', { day: since.slice(0, 10) }));

const fillColumns = () => [[t('office.number'), (row) => `${row.number} · ${row.truck}`], [t('office.date'), (row) => when(row.at)],
  [t('office.customer'), (row) => dash(row.customer)], [t('office.wheel'), (row) => dash([row.machine, row.position].filter(Boolean).join(', '))],
  [t('office.size'), (row) => row.size], [t('office.fluid'), (row) => row.fluid],
  [t('office.volume'), (row) => (row.known === 'not known' ? t('office.unknown') : litres(row.litres))],
  [t('office.outcome'), (row) => known(`outcome.${row.outcome}`, row.outcome)]];

async function month(query, load) {
  const found = await ask('month', query);
  if (found.lines) {
    return [table(`${found.customer}, ${query.month}`, found.lines, [[t('office.text'), (row) => row.text], [t('office.quantity'), (row) => `${units.written(row.quantity)} ${row.unit}`],
      [t('office.price'), (row) => units.written(row.price)], [t('office.amount'), (row) => units.written(row.amount)]]),
    h('p', { class: 'huge' }, `${t('office.net')} ${units.written(found.net)}, ${t('office.tax')} ${units.written(found.tax)}, ${t('office.total')} ${money(found)}`)];
  }
  return [table(`${t('office.month')} ${found.month}`, found.bills, [
    [t('office.customer'), (row) => button(row.customer, () => load({ month: found.month, customer: row.customer }), 'plain')],
    [t('office.jobs'), (row) => dash(row.jobs && String(row.jobs))], [t('office.fills'), (row) => (row.fills === undefined ? '–' : String(row.fills))],
    [t('office.net'), (row) => units.written(dash(row.net))], [t('office.total'), (row) => (row.why ? h('small', {}, sentence(row.why)) : money(row))]]),
  found.nameless ? h('p', { class: 'against' }, t('office.nameless', { n: found.nameless })) : null].filter(Boolean);
}

async function open(name) {
  part = name;
  const question = ++asked;
  for (const tab of place('parts').querySelectorAll('button')) {
    if (tab.dataset.part === name) tab.setAttribute('aria-current', 'page');
    else tab.removeAttribute('aria-current');
  }
  place('work').replaceChildren(h('p', {}, t('loading')));
  const built = await tried(shows[name]);
  if (question !== asked || !me) return;
  place('work').replaceChildren(h('div', { 'data-part': name }, [built].flat(Infinity).filter(Boolean)));
  place('work').scrollTo(0, 0);
}

function frame() {
  asked += 1;
  place('parts').hidden = !me;
  place('parts').replaceChildren(...(me?.areas ?? []).map((name) => button(t(`office.part.${name}`), () => open(name), 'tab', { 'data-part': name })));
  const system = h('select', { 'aria-label': t('units'), onchange: (event) => {
    units.choose(event.target.value);
    open(part);
  } }, units.names.map((name) => h('option', { value: name, selected: name === units.chosen() }, units.unitsOf(name))));
  const language = languageChoice({ 'aria-label': t('language') });
  place('who').replaceChildren(...(me ? [h('span', {}, `${me.name}, ${t(`office.role.${me.role}`)}`), system, language, button(t('sign_out'), signOut)] : [language]));
  if (me) open(me.areas.includes(part) ? part : me.areas[0]);
  else place('work').replaceChildren(signForm());
}

const signOut = () => tried(async () => {
  await call('/api/sign-out', {});
  me = null;
  part = '';
  frame();
});

const signForm = () => h('section', { class: 'card sign' }, h('h2', {}, t('who_are_you')), form([
  field('name', { autocomplete: 'username', required: true }),
  field('pin', { type: 'password', inputmode: 'numeric', autocomplete: 'current-password', maxlength: 12, required: true })], t('sign_in'), (said) => tried(async () => {
  me = await call('/api/sign-in', said);
  frame();
})));

learn(given.texts);
units.recall('us');
call('/api/me').then((found) => { me = found; }).catch(() => {}).finally(frame);
