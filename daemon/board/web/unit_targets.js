// The targets of a unit, with reading and margin.

import { el, makeTable } from './dom.js';
import { mark } from './shapes.js';
import { counted, percent, quantity, readingInWords, subject } from './words.js';

const targetsTable = (caption) =>
  makeTable(
    caption,
    [
      ['what', (v) => `${subject(v.subject).split(', ').slice(1).join(', ')} ${quantity(v.quantity)}`.trim()],
      ['verdict', (v) => mark(v.verdict)],
      ['target', (v) => v.target.text],
      ['reading', (v) => readingInWords(v.quantity, v.reading)],
      ['margin', (v) => (v.margin_ratio === null || v.margin_ratio === undefined ? '' : percent(v.margin_ratio))],
      ['why', (v) => v.reason],
      ['how', (v) => v.reading.method],
    ],
    (v) => `${v.subject} ${v.quantity}`,
  );

// What is not met stands open, the rest folded away.
export const makeTargets = () => {
  const open = targetsTable('Targets missed, unread or tight'),
    rest = targetsTable('Targets met'),
    words = el('summary'),
    from = el('p', { class: 'faint' });
  const openBox = el('div', { class: 'wide' }, open.node),
    restBox = el('details', {}, words, el('div', { class: 'wide' }, rest.node));
  const order = ['missed', 'unread', 'tight'];
  const set = (verdicts) => {
    const met = verdicts.filter((v) => v.verdict === 'met');
    open.set(order.flatMap((verdict) => verdicts.filter((v) => v.verdict === verdict)));
    rest.set(met);
    words.textContent = `${counted(met.length, 'target')} met`;
    openBox.hidden = met.length === verdicts.length;
    restBox.hidden = met.length === 0;
  };
  return { nodes: [from, openBox, restBox], from, set };
};
