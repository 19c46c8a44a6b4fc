import { button, h } from './dom.js';
import { sentence, t } from './words.js';

// Asks back about what can hardly be; resolves to whether the person stands to it. Not modal: STOP stays in reach.
export function askBack(doubts) {
  return new Promise((answer) => {
    const said = (yes) => () => { box.remove(); answer(yes); };
    const box = h('section', { id: 'doubts', role: 'alertdialog', 'aria-labelledby': 'doubts-title', tabindex: -1 }, h('h2', { id: 'doubts-title' }, t('can_that_be')),
      doubts.map((doubt) => h('p', {}, sentence(doubt))), button(t('not_so'), said(false), 'plain', { id: 'not-so' }), button(t('it_is_so'), said(true), 'wait', { id: 'it-is-so' }));
    document.body.append(box);
    box.focus();
  });
}
