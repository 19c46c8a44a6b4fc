// The configuration key by key, one group open at a time: its value with its unit, what the guide says of it, what counts
// without it. A field is built when its group is opened first.

import { button, h } from './dom.js';
import { sentence, t } from './words.js';

const idOf = (path) => JSON.stringify(path);
const nameOf = (path) => path.join('.');

// Text of the guide: its code stands between grave accents.
const prose = (text) => text.split('`').map((part, place) => (place % 2 ? h('code', {}, part) : part));

export class ConfigForm {
  // `tables` say which keys there are, `written` what the file has; `write` is given what was changed.
  constructor(app, tables, written, write) {
    this.app = app;
    this.tables = tables;
    this.written = written;
    this.send = write;
    this.changes = new Map(); // By path: the text as typed, or null for what is left out.
    this.added = new Map(); // Names of new tables, by table.
    this.faults = new Map(); // What the check says, by path.
    this.place = h('div', { class: 'groups' });
    this.undo = button(t('settings_undo'), () => this.forget(), 'plain', { id: 'undo-keys' });
    this.element = h('div', {}, this.place, this.undo);
    this.draw();
  }

  draw() {
    this.place.replaceChildren(...this.tables.map((table) => this.table(table)));
    this.count();
  }

  count() {
    this.undo.hidden = !this.changes.size;
    this.app.render();
  }

  // What was changed is written from the rail, wherever the person has scrolled to.
  rail() {
    const { size: count } = this.changes;
    return count ? [`write ${count}`, () => button(t(count === 1 ? 'settings_write_key' : 'settings_write_keys', { count }), () => this.write(), 'do', { id: 'write-keys', 'data-part': 'act' })] : null;
  }

  forget() {
    for (const each of [this.changes, this.added, this.faults]) each.clear();
    this.draw();
  }

  write() {
    this.send([...this.changes].map(([id, text]) => ({ path: JSON.parse(id), text })));
  }

  change(path, text) {
    const { [path[0]]: table = {} } = this.written;
    const stands = path.length < 3 ? table[path[1]] : table[path[1]]?.[path[2]];
    if (text === (stands ?? null)) this.changes.delete(idOf(path));
    else this.changes.set(idOf(path), text);
    this.count();
  }

  // --- groups ---

  // Only one of the same name is open: the browser shuts the others.
  group(path, name, summary, build) {
    const said = this.faults.get(idOf(path));
    const wrong = [...this.faults.keys()].some((id) => path.every((part, place) => JSON.parse(id)[place] === part));
    const body = h('div', { class: 'fields' });
    const whole = h('details', { name, open: wrong, class: wrong ? 'wrong' : null, 'data-path': nameOf(path), ontoggle: () => whole.open && !body.childNodes.length && body.append(...build()) },
      h('summary', {}, summary, wrong ? ` ⚠ ${t('settings_wrong')}` : ''), said ? h('p', { class: 'against' }, said) : null, body);
    if (wrong) body.append(...build());
    return whole;
  }

  table({ table, title, named, names, kinds }) {
    return this.group([table], 'settings', [h('strong', {}, table), ' ', h('small', {}, prose(sentence(title)))], () => {
      const stands = this.written[table] || {};
      if (!named) return this.keys([table], kinds[''], stands);
      const entries = [...Object.keys(stands), ...(this.added.get(table) || [])].map((name) => this.entry([table, name], kinds, stands[name] || {}));
      return [...entries, this.adding(table, names, Object.keys(kinds), entries)];
    });
  }

  // A table with a name of its own, which can be taken away as a whole.
  entry(path, kinds, stands) {
    const gone = this.changes.get(idOf(path)) === null;
    const kind = stands.kind ?? this.changes.get(idOf([...path, 'kind'])) ?? '';
    return this.group(path, `settings-${path[0]}`, [gone ? h('del', {}, path[1]) : path[1]], () => [
      ...(gone ? [h('p', {}, t('settings_gone'))] : this.keys(path, kinds[kind] || kinds[''] || [], stands)),
      button(t(gone ? 'settings_keep' : 'settings_remove', { name: path[1] }), () => this.remove(path, gone), 'plain')]);
  }

  remove(path, again) {
    for (const id of [...this.changes.keys()]) if (path.every((part, place) => JSON.parse(id)[place] === part)) this.changes.delete(id);
    const added = this.added.get(path[0]) || [];
    if (added.includes(path[1])) this.added.set(path[0], added.filter((name) => name !== path[1]));
    else if (!again) this.changes.set(idOf(path), null);
    this.redraw(path);
  }

  adding(table, names, kinds, entries) {
    const list = `names-${table}`;
    const name = h('input', { list, autocomplete: 'off', maxlength: 60, id: `new-${table}` });
    const kind = kinds.length > 1 ? h('select', {}, kinds.map((each) => h('option', {}, each))) : null;
    const add = () => {
      const own = name.value.trim();
      if (!own || entries.some((each) => each.dataset.path === nameOf([table, own]))) { this.app.say(t('settings_name_first')); return; }
      this.added.set(table, [...(this.added.get(table) || []), own]);
      if (kind) this.changes.set(idOf([table, own, 'kind']), kind.value);
      this.redraw([table, own]);
    };
    return h('div', { class: 'line' }, h('label', {}, t('settings_new_name'), name), kind ? h('label', {}, t('settings_kind'), kind) : null,
      h('datalist', { id: list }, names.map((each) => h('option', { value: each }))), button(t('settings_add'), add, 'plain', { id: `add-${table}` }));
  }

  // Anew, with the place open at which something was done.
  redraw(path) {
    this.draw();
    for (let many = 1; many <= path.length; many += 1) {
      const at = [...this.place.querySelectorAll('details')].find((each) => each.dataset.path === nameOf(path.slice(0, many)));
      if (!at) continue;
      at.open = true;
      if (!at.querySelector('.fields').childNodes.length) at.dispatchEvent(new Event('toggle'));
    }
  }

  // --- keys ---

  // What the file has first; the others stand below, by their defaults.
  keys(path, keys, stands) {
    const used = ({ name, required }) => required || name in stands || this.changes.has(idOf([...path, name])) || this.faults.has(idOf([...path, name]));
    const others = keys.filter((key) => !used(key));
    const unknown = Object.keys(stands).filter((name) => !keys.some((key) => key.name === name)).map((name) => ({ name, about: '', default: '', choices: [] }));
    return [...keys.filter(used), ...unknown].map((key) => this.field(path, key, stands)).concat(others.length
      ? h('details', { class: 'others' }, h('summary', {}, t('settings_defaults', { count: others.length })), others.map((key) => this.field(path, key, stands))) : []);
  }

  field(of, { name, about, default: counts, required, choices }, stands) {
    const usual = sentence(counts);
    const path = [...of, name];
    const text = this.changes.get(idOf(path)) ?? (this.changes.has(idOf(path)) ? '' : stands[name] ?? '');
    const said = this.faults.get(idOf(path));
    const changed = (event) => this.change(path, event.target.value.trim() || null);
    const more = { 'data-key': nameOf(path), 'aria-invalid': said ? 'true' : null, 'aria-describedby': `about-${nameOf(path)}` };
    const input = choices.length
      ? h('select', { ...more, onchange: changed }, [...new Set([...(required && text ? [] : ['']), ...choices, text])].map((value) =>
        h('option', { value, selected: value === text }, value || (usual ? t('settings_otherwise', { value: usual }) : '–'))))
      : h('input', { ...more, value: text, placeholder: usual, autocomplete: 'off', autocapitalize: 'off', spellcheck: 'false', oninput: changed });
    return h('div', { class: 'entry' }, h('label', {}, name, input), said ? h('p', { class: 'against' }, said) : null,
      h('p', { class: 'about', id: `about-${nameOf(path)}` }, prose(sentence(about))));
  }

  // --- what the check says ---

  // Each mistake at the field whose path its line begins with, else at the table that the field is in. Returns what is of none.
  blame(lines, message) {
    const ids = this.tables.flatMap(({ table, named, kinds }) => {
      const names = named ? [...Object.keys(this.written[table] || {}), ...(this.added.get(table) || [])].map((name) => [table, name]) : [[table]];
      const keys = [...new Set(Object.values(kinds).flat().map((key) => key.name))];
      return [[table], ...names, ...names.flatMap((path) => keys.map((key) => [...path, key]))];
    });
    this.faults.clear();
    const rest = lines.map(sentence).filter((line) => {
      const at = ids.filter((path) => line.startsWith(nameOf(path)) && ':.'.includes(line[nameOf(path).length])).sort((one, other) => other.length - one.length)[0];
      if (!at) return true;
      const own = line.slice(nameOf(at).length).replace(/^[:.] ?/, '');
      this.faults.set(idOf(at), [this.faults.get(idOf(at)), own].filter(Boolean).join(' '));
      return false;
    });
    this.draw();
    const first = this.place.querySelector('[aria-invalid]') || this.place.querySelector('.wrong > summary');
    first?.focus();
    first?.scrollIntoView({ block: 'center' });
    if (!lines.length) return message;
    return rest.join('\n');
  }
}
