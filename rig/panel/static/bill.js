// A job's bill: looked at as a draft, and issued by a touch of its own, below what that means.

import { button, h } from './dom.js';
import { save } from './net.js';
import { t } from './words.js';

export const billLook = (app, path) => button(t('bill_pdf'), () => app.send(save(`${path}/bill.pdf`, 'bill.pdf')), 'wide', { id: 'bill-pdf' });

export function billIssue(app, path, issued = () => {}) {
  const issue = async () => {
    if (!(await app.send(save(`${path}/invoice.pdf`, 'invoice.pdf')))) return;
    issued();
    app.say(t('bill_issued'));
  };
  return [h('p', {}, t('issue_bill_means')), button(t('issue_now'), issue, 'do wide', { id: 'invoice-pdf' })];
}
