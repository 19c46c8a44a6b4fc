// Which language: the page comes anew in another one, which this device keeps.

import { h } from './dom.js';
import * as given from './given.js';
import { language } from './units.js';

function speak(code) {
  document.cookie = `rig_language=${code}; path=/; max-age=31536000; SameSite=Strict`;
  location.reload();
}

export const languageChoice = (more = {}) => h('select', { id: 'language', onchange: (event) => speak(event.target.value), ...more },
  given.languages.map(({ code, name }) => h('option', { value: code, lang: code, selected: code === language }, name)));
