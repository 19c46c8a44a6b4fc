// Modules that are loaded when they are wanted first, so that the page itself stays small.

import * as dom from './dom.js';
import * as given from './given.js';
import * as net from './net.js';
import * as units from './units.js';
import * as words from './words.js';

export const load = async (name) => (await import(given[name])).made({ dom, net, units, words });

// A screen of such a module.
export class LateScreen {
  constructor(name, app) {
    this.element = dom.h('div', {}, dom.h('p', { role: 'status' }, words.t('loading')));
    load(name).then(({ Screen }) => this.shows(new Screen(app), app)).catch((error) => this.element.replaceChildren(dom.h('p', { class: 'against', role: 'alert' }, error.message)));
  }

  shows(screen, app) {
    this.screen = screen;
    this.element.replaceChildren(screen.element);
    app.render();
  }

  rail() {
    return this.screen?.rail?.();
  }

  update(picture) {
    this.screen?.update(picture);
  }
}
