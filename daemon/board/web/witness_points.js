// Points that only a person can confirm: ticked with a name and a note. What is ticked stays: who ticked it, and when, stands on the sheet.

import { el, keyed } from './dom.js';
import { get, getIfThere, send } from './feed.js';
import { makeName } from './own_name.js';
import { mark } from './shapes.js';
import { clock, sentence, subject } from './words.js';

const keyOf = (one) => `${one.subject} ${one.point}`;

// The design's points with what was witnessed of them, and what was witnessed beyond them.
const readPoints = async () => {
  const [told, { witnesses }] = await Promise.all([getIfThere('/api/witness_points'), get('/api/witnesses')]);
  const points = new Map((told?.points ?? []).map((point) => [keyOf(point), { ...point, designed: true }]));
  for (const w of witnesses) {
    const known = points.get(keyOf(w));
    if (!known) points.set(keyOf(w), { subject: w.subject, point: w.point, text: w.point, witnessed: w });
    else if (!known.witnessed) points.set(keyOf(w), { ...known, witnessed: w });
  }
  return { designed: told !== null, points };
};

const MOST = 200; // drawn at once: nobody reads two thousand

let count = 0;

const itemParts = (point, tick) => {
  const words = point.text || point.point;
  const where = subject(point.subject);
  if (point.witnessed) {
    const { by, at, note } = point.witnessed;
    return [
      el('p', { class: 'what' }, mark('witnessed', 'seen '), words),
      el('p', { class: 'evidence' }, `${where}: by ${by}, ${clock(at)}${note ? `; ${note}` : ''}`),
    ];
  }
  count += 1;
  const note = el('input', { type: 'text', id: `note-${count}`, maxlength: 300, autocomplete: 'off' });
  return [
    el('p', { class: 'what' }, words),
    el('p', { class: 'evidence' }, where),
    el(
      'p',
      { class: 'tick' },
      el(
        'button',
        { type: 'button', 'aria-label': `Tick: ${words}, ${where}`, click: () => tick(point, note.value.trim()) },
        'Tick',
      ),
      el('label', { for: note.id }, 'Note'),
      note,
    ),
  ];
};

// `wanted(subject)` tells which; `own`: the subject of a point that is added here, null where it is chosen.
export const makePoints = (state, say, wanted, own) => {
  const name = makeName('Your name'),
    list = el('ul', { class: 'points' }),
    told = el('p', { class: 'faint', role: 'status' });
  const more = el('button', {
    type: 'button',
    hidden: true,
    click: () => {
      most = Infinity;
      draw();
    },
  });
  let points = new Map(),
    designed = true,
    most = MOST;
  const post = async (subject, point, note) => {
    const by = name.ask(say);
    if (by === '') return false;
    try {
      const event = await send('POST', '/api/witnesses', { subject, point, by, note });
      hear({ ...event, note });
      return true;
    } catch (fault) {
      say(fault.message);
      return false;
    }
  };
  const tick = (point, note) => post(point.subject, point.point, note);
  const hear = (witness) => {
    const known = points.get(keyOf(witness)) ?? { subject: witness.subject, point: witness.point, text: witness.point };
    points.set(keyOf(witness), { ...known, witnessed: { ...known.witnessed, ...witness } });
    draw();
  };
  const draw = () => {
    const shown = [...points.values()].filter((point) => wanted(point.subject));
    keyed(
      list,
      shown.slice(0, most),
      keyOf,
      (point) => el('li', {}, itemParts(point, tick)),
      (node, point) => node.replaceChildren(...itemParts(point, tick)),
    );
    more.hidden = shown.length <= most;
    more.textContent = `Show ${shown.length - MOST} more`;
    const open = shown.filter((point) => !point.witnessed).length;
    told.textContent = [
      designed ? '' : 'This service lists no points of the design: add what you have seen by eye below.',
      shown.length === 0 ? (designed ? 'The design names no points here.' : '') : `${shown.length - open} of ${shown.length} seen.`,
    ]
      .filter(Boolean)
      .join(' ');
  };
  const load = async () => {
    try {
      ({ points, designed } = await readPoints());
      draw();
    } catch (fault) {
      say(sentence(fault.message));
    }
  };
  const change = (changed) => {
    if (changed.parts.has('reloaded')) load();
    for (const [event, data] of changed.events) if (event === 'witness') hear(data);
  };
  const adder = makeAdder(state, own, post);
  return { node: el('div', {}, name.node, told, list, more, adder), load, change, redraw: draw };
};

// A point that the design does not name.
const makeAdder = (state, own, post) => {
  const point = el('input', { type: 'text', id: 'new-point', required: true, maxlength: 200, autocomplete: 'off' });
  const unit = el(
    'select',
    { id: 'new-unit' },
    [...state.cameras.keys()].map((id) => el('option', { value: `camera/${id}` }, id)),
  );
  const form = el(
    'form',
    {
      class: 'adder',
      submit: async (event) => {
        event.preventDefault();
        if (point.value.trim() !== '' && (await post(own ?? unit.value, point.value.trim(), ''))) point.value = '';
      },
    },
    own ? null : [el('label', { for: 'new-unit' }, 'Unit'), unit],
    el('label', { for: 'new-point' }, 'Another point, seen by eye'),
    point,
    el('button', { type: 'submit' }, 'Tick it'),
  );
  return form;
};
