// The quote of a job: its lines, who accepted it, and beside it what was done. The sums are the book's.

import { button, h, holdButton } from './dom.js';
import { me, newId, post, save } from './net.js';
import { shown, written } from './units.js';
import { clock, t } from './words.js';

export function quoteOf(app, job, accepted) {
  const quote = job.quote;
  const money = (amount) => `${written(amount)} ${quote.currency}`;
  const row = (name, ...cells) => h('tr', {}, h('th', { scope: 'row' }, name), cells.map((cell) => h('td', {}, cell)));
  const state = quote.accepted_by ? t('quote_accepted', { name: quote.accepted_by }) : t('quote_open');
  const planned = shown(Number(quote.planned_l), 'volume');
  return h('details', { class: 'quote' }, h('summary', {}, t('quote', { total: money(quote.total), state })),
    h('table', { class: 'runs' }, h('caption', {}, t('quote_number', { number: quote.serial, planned })),
      quote.lines.map((line) => row(line.text, `${written(line.quantity)} ${line.unit}`, money(line.amount))),
      row(t('quote_tax'), '', money(quote.tax)), row(t('quote_total'), '', money(quote.total))),
    h('p', { class: 'what' }, t('quote_text')),
    me.name ? button(t('quote_pdf'), () => app.send(save(`/api/jobs/${encodeURIComponent(job.job)}/quote.pdf`, 'quote.pdf')), 'plain', { id: `quote-pdf-${quote.serial}` }) : null,
    quote.accepted_by ? h('p', {}, `✓ ${state} · ${clock(quote.accepted_at)}`) : accepting(app, job, accepted),
    quote.done ? h('table', { class: 'runs done' }, h('caption', {}, t('quote_done')),
      h('tr', {}, h('td', {}), h('th', { scope: 'col' }, t('quoted')), h('th', { scope: 'col' }, t('done_so_far'))),
      row(t('quote_total'), money(quote.total), money(quote.done.total)),
      row(t('quote_volume'), planned, shown(Number(quote.done.net_l), 'volume')),
      row(t('beside_quote'), '', money(quote.done.over))) : null);
}

// What is accepted is the quote that stands here: one that was made meanwhile has to be looked at first.
function accepting(app, job, accepted) {
  if (job.away) return null;
  if (!me.name) return h('p', {}, t('sign_in_to_accept'));
  return holdButton(t('quote_accept', { name: me.name }), async () => {
    const path = `/api/jobs/${encodeURIComponent(job.job)}/accept-quote`;
    if (await app.send(post(path, { id: newId(), serial: job.quote.serial }))) accepted();
  }, 'do', { id: `accept-quote-${job.quote.serial}` });
}
