// What is known of a unit beyond its targets: where it hangs, its power, what it tells of itself, what was heard of it.

import { el, facts, makeTable } from './dom.js';
import { mark } from './shapes.js';
import { bitRate, clock, quantity, readingInWords, subject } from './words.js';

const readingText = (readings, name) => {
  const r = readings.find((one) => one.quantity === name && one.subject.split('/').length === 2);
  if (!r) return null;
  return r.value === null ? `unread: ${r.unread}` : readingInWords(name, r);
};

export const placeFacts = (unit, entry, readings) =>
  facts([
    ['presence', mark(entry?.presence ?? 'awaited')],
    ['since', clock(entry?.since)],
    ['why', entry?.reason],
    ['place', unit.place],
    ['by design on', `${unit.switch}/${unit.port}`],
    ['seen on', entry?.seen_on],
    ['address', entry?.address || `${unit.address} by design`],
    ['hardware address', entry?.hardware_address ?? unit.hardware_address],
    ['matched by', entry?.matched_by?.replaceAll('_', ' ')],
    [
      'link',
      [readingText(readings, 'link_state'), readingText(readings, 'link_speed_bps'), readingText(readings, 'duplex')]
        .filter(Boolean)
        .join(', ') || `${bitRate(unit.link_speed_mbps * 1e6)} by design`,
    ],
    ['errors on the link', readingText(readings, 'new_fcs_errors')],
  ]);

const powerNames = [
  ['power_state', 'state'],
  ['power_class', 'class'],
  ['power_drawn_w', 'draws'],
  ['power_requested_w', 'asks for'],
  ['power_allocated_w', 'is given'],
];

export const powerFacts = (unit, readings) =>
  facts([
    [
      'by design',
      [
        unit.power_source?.replaceAll('_', ' '),
        typeof unit.power_class === 'number' ? `class ${unit.power_class}` : '',
        unit.worst_power_w ? `${unit.worst_power_w} W at worst` : '',
      ]
        .filter(Boolean)
        .join(', '),
    ],
    ...powerNames.map(([name, words]) => [words, readingText(readings, name)]),
  ]);

// What the unit tells of itself; it is what it says, not what was measured.
export const toldTable = (readings) => {
  const names = ['serial', 'firmware', 'model', 'heads', 'clock_offset_s'];
  const told = readings.filter(
    (r) => r.quantity.startsWith('told_') || r.quantity.startsWith('certificate_') || names.includes(r.quantity),
  );
  const table = makeTable(
    'What the unit tells of itself',
    [
      ['what', (r) => quantity(r.quantity).replace(/^told /, '')],
      ['of', (r) => subject(r.subject)],
      ['says', (r) => readingInWords(r.quantity, r)],
      ['how', (r) => (r.value === null ? r.unread : r.method)],
    ],
    (r) => `${r.subject} ${r.quantity}`,
  );
  table.set(told);
  return told.length > 0 ? el('div', { class: 'wide' }, table.node) : el('p', { class: 'faint' }, 'Nothing is read of it yet.');
};

export const heardTable = (heard) => {
  const table = makeTable(
    'Heard on the wire',
    [
      ['what', (f) => f.fact.replaceAll('_', ' ')],
      ['value', (f) => f.value],
      ['by', (f) => f.source],
      ['first', (f) => clock(f.first_heard)],
      ['newest', (f) => clock(f.last_heard)],
    ],
    (f) => `${f.fact} ${f.value} ${f.source}`,
  );
  table.set(heard.facts);
  const starts = heard.starts?.length > 0 ? `It was powered or restarted at ${heard.starts.map(clock).join(', ')}.` : '';
  return [
    el(
      'p',
      { class: 'faint' },
      [`${heard.hardware_addresses.join(', ')}${heard.maker ? `, ${heard.maker}` : ''}; on ${heard.interface}.`, starts].join(' '),
    ),
    el('div', { class: 'wide' }, table.node),
  ];
};
