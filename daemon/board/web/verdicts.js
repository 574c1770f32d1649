// What needs a hand, and every target with reading, margin and reason.

import { table } from './roll.js';
import { mark, quantity, subject, value } from './words.js';

const item = (title, lines) => {
  const out = document.createElement('li');
  const head = document.createElement('strong');
  head.textContent = title;
  out.append(head);
  for (const [kind, words] of lines) {
    const line = document.createElement('p');
    line.className = kind;
    line.textContent = words;
    out.append(line);
  }
  return out;
};

export const drawFindings = (place, state) => {
  const found = state.round?.findings ?? [];
  const items = found.map((f) => item(`${f.sentence}.`, [['next', `Try: ${f.next_step}.`], ['evidence', f.evidence.join('; ')]]));
  if (items.length === 0) items.push(item(state.round ? 'Nothing: the newest round found no fault.' : 'No round has run yet.', []));
  place.replaceChildren(...items);
};

const reading = (v) => {
  if (v.reading.value === null) return 'unread';
  const spread = v.reading.uncertainty > 0 ? ` ± ${value(v.quantity, v.reading.uncertainty)}` : '';
  return value(v.quantity, v.reading.value) + spread;
};

const margin = (v) => (v.margin_ratio === null ? '' : `${(v.margin_ratio * 100).toFixed(1)} %`);

export const drawVerdicts = (place, counts, state) => {
  const verdicts = state.round?.verdicts ?? [];
  const c = state.round?.counts;
  counts.textContent = c ? `Round ${state.round.round}, ${state.round.state}: ${c.met} met, ${c.tight} tight, ${c.missed} missed, ${c.unread} unread.` : '';
  const groups = new Map();
  for (const v of verdicts) {
    const path = v.subject.split('/').slice(0, 2).join('/');
    groups.set(path, [...(groups.get(path) ?? []), v]);
  }
  const open = new Set([...place.querySelectorAll('details[open]')].map((d) => d.dataset.subject));
  const parts = [...groups].map(([path, list]) => {
    const out = document.createElement('details');
    out.dataset.subject = path;
    out.open = open.has(path);
    const summary = document.createElement('summary');
    const bad = list.filter((v) => v.verdict === 'missed').length;
    const unread = list.filter((v) => v.verdict === 'unread').length;
    const worst = bad > 0 ? 'missed' : unread > 0 ? 'unread' : list.some((v) => v.verdict === 'tight') ? 'tight' : 'met';
    summary.append(`${subject(path)}  `, mark(worst), ` ${list.length} targets, ${bad} missed, ${unread} unread`);
    const wide = document.createElement('div');
    wide.className = 'wide';
    const inner = document.createElement('table');
    table(inner, subject(path), ['what', 'target', 'reading', 'margin', 'verdict', 'why', 'how'], list.map((v) => [
      `${subject(v.subject).replace(subject(path), '').replace(/^, /, '')} ${quantity(v.quantity)}`.trim(), v.target.text,
      reading(v), margin(v), mark(v.verdict), v.reason, v.reading.method]));
    wide.append(inner);
    out.append(summary, wide);
    return out;
  });
  place.replaceChildren(...parts);
};
