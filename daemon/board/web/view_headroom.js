// Every uplink: what was promised, what was measured, the busiest instant, against its ceiling and its speed.

import { el, keyed, makeTable, section } from './dom.js';
import { get } from './feed.js';
import { bar } from './plot.js';
import { mark } from './shapes.js';
import { subjectLink } from './site_lists.js';
import { bitRate, bytes, clock, counted, sentence, subject } from './words.js';

export const title = () => 'Headroom';

const told = (bps) => (bps === null || bps === undefined ? 'unread' : bitRate(bps));

// The verdict of the sustained load and of the busiest instant together, the worse of both.
const stateOf = (row) => {
  if (row.measured_bps !== null && (row.measured_bps > row.ceiling_bps || row.busiest_bps > row.speed_bps)) return 'missed';
  if (row.measured_bps === null || row.unread) return 'unread';
  return 'met';
};

const stateWords = { missed: 'over', unread: 'not read whole', met: 'fits' };

const card = (row) => {
  const named = {
    designed: row.designed_bps,
    measured: row.measured_bps,
    'busiest instant': row.busiest_bps,
    ceiling: row.ceiling_bps,
    speed: row.speed_bps,
  };
  const label = `${subject(row.uplink)}: ${Object.entries(named)
    .map(([name, bps]) => `${name} ${told(bps)}`)
    .join(', ')}`;
  const marks = [
    { at: row.designed_bps ?? 0, kind: 'designed' },
    { at: row.ceiling_bps, kind: 'ceiling' },
  ];
  if (row.busiest_bps !== null) marks.push({ at: row.busiest_bps, kind: 'busiest' });
  const limit = (row.more_units_limited_by ?? '').replaceAll('_', ' ');
  const more =
    row.more_units === null || row.more_units === undefined
      ? row.more_units_unread
      : `${counted(row.more_units, 'more unit')} like ${subject(row.more_units_like ?? '')} would fit, limited by ${limit}`;
  const lines = [
    [
      `${told(row.measured_bps)} measured of ${told(row.speed_bps)}; ceiling ${told(row.ceiling_bps)}; ` +
        `busiest instant ${told(row.busiest_bps)}; designed ${told(row.designed_bps)}.`,
      '',
    ],
    [sentence([row.direction ?? 'no stream crosses it', counted(row.streams ?? 0, 'stream')].join(', ')), 'faint'],
    [row.unread ? `Unread: ${sentence(row.unread)}` : '', ''],
    [more && more !== row.unread ? sentence(more) : '', 'faint'],
    [
      row.buffer_needed_bytes
        ? `All key frames together would wait in ${bytes(row.buffer_needed_bytes)} of buffer: hold that against the switch’s data sheet.`
        : '',
      'faint',
    ],
  ];
  return [
    el('h4', {}, subject(row.uplink), ' ', mark(stateOf(row), stateWords[stateOf(row)])),
    bar(label, row.speed_bps, row.measured_bps, marks, stateOf(row) === 'missed'),
    ...lines.filter(([words]) => words !== '').map(([words, kind]) => el('p', { class: kind || null }, words)),
    el('details', {}, el('summary', {}, 'How it was reckoned'), el('p', {}, sentence(row.method ?? ''))),
  ];
};

const table = () =>
  makeTable(
    'Load of each uplink, on the wire',
    [
      ['uplink', (r) => subjectLink(r.uplink)],
      ['direction', (r) => r.direction ?? ''],
      ['designed', (r) => told(r.designed_bps)],
      ['measured', (r) => told(r.measured_bps)],
      ['busiest instant', (r) => told(r.busiest_bps)],
      ['ceiling', (r) => told(r.ceiling_bps)],
      ['speed', (r) => told(r.speed_bps)],
      [
        'streams measured',
        (r) => `${r.streams_measured ?? 0} of ${r.streams ?? 0}${r.streams_tapped ? `, ${r.streams_tapped} by tap` : ''}`,
      ],
    ],
    (r) => r.uplink,
  );

const tapWords = (tap, name) => {
  const newest = tap.at ? `newest interval ended ${clock(tap.at)}` : (tap.state ?? 'no interval yet');
  const lost = tap.dropped_by_kernel_packets ? `the capture itself lost ${tap.dropped_by_kernel_packets} packets` : '';
  return `Tap on ${name}: ${[newest, tap.note, lost].filter(Boolean).join('; ')}.`;
};

export const open = (box, { state, say }) => {
  const cards = el('ul', { class: 'cards' }),
    rows = table(),
    from = el('p', { class: 'faint' }),
    taps = el('p', { class: 'faint' });
  box.append(
    from,
    taps,
    section(
      'uplinks',
      'Uplinks',
      el(
        'p',
        { class: 'faint' },
        'Bar: measured load. Thick line: ceiling. Thin line: busiest instant. Dotted line: designed. The bar’s length is the speed.',
      ),
      cards,
    ),
    section('figures', 'The same as a table', el('div', { class: 'wide' }, rows.node)),
  );
  const load = async () => {
    try {
      const answer = await get('/api/headroom');
      keyed(
        cards,
        answer.uplinks,
        (row) => row.uplink,
        (row) => el('li', { class: 'card' }, card(row)),
        (node, row) => node.replaceChildren(...card(row)),
      );
      rows.set(answer.uplinks);
      from.textContent =
        answer.uplinks.length === 0
          ? 'No complete round has measured an uplink yet.'
          : answer.round === null
            ? 'By the taps.'
            : `By round ${answer.round}${answer.taps?.length > 0 ? ', and the taps where they are newer' : ''}.`;
      for (const tap of answer.taps ?? []) if (!state.taps.has(tap.interface)) state.taps.set(tap.interface, tap);
      drawTaps();
    } catch (fault) {
      say(fault.message);
    }
  };
  const drawTaps = () => {
    taps.textContent = [...state.taps].map(([name, tap]) => tapWords(tap, name)).join(' ');
  };
  load();
  const change = (changed) => {
    if (['digest', 'taps', 'reloaded'].some((part) => changed.parts.has(part))) load();
  };
  return { change };
};
