// The key that opens a fill's film. What draws it is loaded with the first one, so that the page itself stays small.

import { button, h } from './dom.js';
import * as given from './given.js';
import { load } from './late.js';
import { get } from './net.js';
import { t } from './words.js';

export class Filming {
  constructor(fill_id) {
    this.fill_id = fill_id;
    this.place = h('div');
    this.opener = button(t('film'), () => this.open(), 'wide', { id: 'film' });
    this.element = h('div', { class: 'film-of' }, this.opener, this.place);
  }

  async open() {
    this.opener.disabled = true;
    this.place.replaceChildren(h('p', { role: 'status' }, t('film_wait')));
    try {
      const [film, plots, { Film }] = await Promise.all([get(`/api/fills/${this.fill_id}/film`), import(given.plots), load('film')]);
      const shown = new Film(film, plots.default, () => this.close());
      this.place.replaceChildren(shown.element);
      this.opener.hidden = true;
      shown.begin();
      this.element.parentElement.scrollIntoView({ block: 'start' });
    } catch (error) {
      this.opener.disabled = false;
      this.place.replaceChildren(h('p', { class: 'against', role: 'alert' }, error.message));
    }
  }

  close() {
    this.place.replaceChildren();
    this.opener.hidden = this.opener.disabled = false;
    this.opener.focus();
  }
}
