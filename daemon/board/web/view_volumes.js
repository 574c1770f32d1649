// Volumes and cards: how many days they hold, and the day from which that is too few.

import { el, keyed, makeTable, section } from './dom.js';
import { get } from './feed.js';
import { bar } from './plot.js';
import { mark } from './shapes.js';
import { subjectLink } from './site_lists.js';
import { byteRate, bytes, counted, day, sentence, subject } from './words.js';

export const title = () => 'Volumes and cards';

const days = (count) => (count === null || count === undefined ? 'unread' : `${Number(count.toPrecision(3))} days`);

const stateOf = (store) => {
  if (store.days_held_days === null) return 'unread';
  if (store.days_to_hold_days && store.days_held_days < store.days_to_hold_days) return 'missed';
  return store.falls_short === 'on_a_day' ? 'tight' : 'met';
};

const shortWords = (store) => {
  if (store.falls_short === 'now') return 'It holds too few days now.';
  if (store.falls_short === 'not_in_sight') return 'No day in sight on which it falls short.';
  if (store.falls_short === 'on_a_day') {
    const between = store.falls_short_earliest
      ? `, by the trend’s 95 % interval between ${day(store.falls_short_earliest)} and ${store.falls_short_latest ? day(store.falls_short_latest) : 'never'}`
      : '';
    return `If rates go on as the last ${counted(store.nights, 'night')} show, it falls short on ${day(store.falls_short_on)}${between}.`;
  }
  return store.unread?.falls_short ? `When it falls short is unread: ${sentence(store.unread.falls_short)}` : '';
};

const card = (store) => {
  const asked = store.days_to_hold_days,
    held = store.days_held_days;
  const full = 1.15 * Math.max(asked ?? 0, held ?? 0, 1);
  const spread = held !== null && store.uncertainty_days ? ` ± ${days(store.uncertainty_days)}` : '';
  const rate = store.rate_bytes_per_s === null ? 'at an unread rate' : byteRate(store.rate_bytes_per_s);
  const where = store.path ? `, ${store.path}${store.on_far_end ? ' at the far end' : ''}` : '';
  const lines = [
    `Holds ${days(held)}${spread}; the design asks for ${asked ? days(asked) : 'no number of days'}.`,
    store.unread?.days_held_days ? `Unread: ${sentence(store.unread.days_held_days)}` : '',
    shortWords(store),
    sentence(
      `${bytes(store.capacity_bytes)} (${store.capacity_from}), ${counted(store.streams, 'stream')} writing ${rate}${where}`,
    ),
  ];
  const label = `${subject(store.subject)}: holds ${days(held)} of ${asked ? days(asked) : 'no number'} asked for`;
  return [
    el(
      'h4',
      {},
      subjectLink(store.subject),
      ' ',
      mark(stateOf(store), { missed: 'too few days', tight: 'falls short later', met: 'holds', unread: 'unread' }[stateOf(store)]),
    ),
    bar(label, full, held, asked ? [{ at: asked, kind: 'ceiling' }] : [], stateOf(store) === 'missed'),
    ...lines.filter((words) => words !== '').map((words, i) => el('p', { class: i > 1 ? 'faint' : null }, words)),
    el('details', {}, el('summary', {}, 'How it was reckoned'), el('p', {}, sentence(store.method ?? ''))),
  ];
};

const table = () =>
  makeTable(
    'Days held',
    [
      ['volume or cards', (s) => subjectLink(s.subject)],
      ['holds', (s) => days(s.days_held_days)],
      ['asked for', (s) => (s.days_to_hold_days ? days(s.days_to_hold_days) : '')],
      [
        'falls short',
        (s) => (s.falls_short === 'on_a_day' ? day(s.falls_short_on) : (s.falls_short ?? 'unread').replaceAll('_', ' ')),
      ],
      ['capacity', (s) => bytes(s.capacity_bytes)],
      ['written', (s) => (s.rate_bytes_per_s === null ? 'unread' : byteRate(s.rate_bytes_per_s))],
      ['nights', (s) => String(s.nights ?? 0)],
    ],
    (s) => s.subject,
  );

const slowTable = (state) => {
  const rows = makeTable(
    'Write rate of the volumes',
    [
      ['volume', (v) => subject(v.subject)],
      ['verdict', (v) => mark(v.verdict)],
      ['target', (v) => v.target.text],
      ['reading', (v) => (v.reading.value === null ? 'unread' : byteRate(v.reading.value))],
      ['why', (v) => v.reason],
    ],
    (v) => v.subject,
  );
  const draw = () => rows.set((state.digest?.others ?? []).filter((v) => v.quantity === 'sustained_write_bytes_per_s'));
  return { node: rows.node, draw };
};

export const open = (box, { state, say }) => {
  const cards = el('ul', { class: 'cards' }),
    rows = table(),
    writes = slowTable(state),
    from = el('p', { class: 'faint' });
  box.append(
    from,
    section(
      'stores',
      'Days held',
      el('p', { class: 'faint' }, 'Bar: days that it holds. Thick line: days that the design asks for.'),
      cards,
    ),
    section('figures', 'The same as a table', el('div', { class: 'wide' }, rows.node)),
    section('writes', 'Write rate', el('div', { class: 'wide' }, writes.node)),
  );
  const load = async () => {
    try {
      const { round, stores } = await get('/api/days_held');
      keyed(
        cards,
        stores,
        (s) => s.subject,
        (s) => el('li', { class: 'card' }, card(s)),
        (node, s) => node.replaceChildren(...card(s)),
      );
      rows.set(stores);
      from.textContent = round === null ? 'No complete round of the whole site yet.' : `By round ${round}.`;
    } catch (fault) {
      say(fault.message);
    }
  };
  load();
  writes.draw();
  const change = (changed) => {
    if (!changed.parts.has('digest')) return;
    load();
    writes.draw();
  };
  return { change };
};
