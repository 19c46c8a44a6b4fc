// The configuration for the supervisor, with people and prices. Loaded late (assets.py).

import { ConfigForm } from './config.js';
import { Crew } from './crew.js';
import { button, h } from './dom.js';
import { get, post } from './net.js';
import { PriceList } from './prices.js';
import { learn, sentence, t } from './words.js';

const lines = (said) => said.map(sentence).join('\n');

export class Screen {
  constructor(app) {
    this.app = app;
    this.now = h('pre', { tabindex: 0 });
    this.text = h('textarea', { id: 'toml', spellcheck: 'false', autocapitalize: 'off', rows: 24, 'aria-label': t('settings_file') });
    this.checked = h('pre', { tabindex: 0, hidden: true, id: 'checked' });
    this.file = h('p');
    this.keys = h('div');
    this.asText = h('details', {}, h('summary', {}, t('settings_text')), this.text, button(t('settings_write'), () => this.write({ text: this.text.value }), 'do', { id: 'write-settings' }));
    this.element = h('div', { class: 'columns' },
      h('section', { class: 'card config' }, h('h2', {}, t('settings_file')), this.file, h('p', {}, t('settings_how')), this.keys, this.checked, this.asText),
      h('div', {}, new Crew(app).element, new PriceList(app).element,
        h('section', { class: 'card' }, h('details', {}, h('summary', {}, t('settings_now')), this.now))));
    app.send(get('/api/settings')).then((found) => found && this.load(found));
  }

  load(found) {
    learn(found.texts);
    this.now.textContent = lines(found.now);
    this.file.textContent = found.file;
    this.tables = found.tables;
    this.stands(found);
  }

  stands({ toml, was, written }) {
    this.was = was;
    this.text.value = toml;
    this.asText.open = !written;
    this.form = written && new ConfigForm(this.app, this.tables, written, (changes) => this.write({ changes }));
    this.keys.replaceChildren(this.form ? this.form.element : h('p', { class: 'against' }, t('settings_no_toml')));
  }

  // Every mistake stays to be read while it is mended; those of a key are said at its field.
  async write(what) {
    const kept = await post('/api/settings', { ...what, was: this.was }).catch((error) => ({ error }));
    let said = kept.error?.message;
    if (!kept.error) {
      this.stands(kept);
      said = `${t('settings_kept', { count: Object.keys(kept.changed).length })}\n\n${lines(kept.checked)}`;
    } else if (what.changes) {
      said = this.form.blame(kept.error.faults, said);
    }
    this.checked.hidden = !said;
    this.checked.textContent = said;
    if (said) { this.checked.focus({ preventScroll: true }); this.checked.scrollIntoView({ block: 'start' }); }
  }

  rail() {
    return this.form?.rail();
  }

  update() {}
}
