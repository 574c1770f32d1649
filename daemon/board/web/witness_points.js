// Points that only a person can confirm: ticked with a name and a note. Who ticked it, and when, stands on the
// sheet; so does who took it back.

import { el, keyed } from './dom.js';
import { get, getIfThere, send } from './feed.js';
import { makeName } from './own_name.js';
import { mark } from './shapes.js';
import { clock, sentence, subject } from './words.js';

const keyOf = (one) => `${one.subject} ${one.point}`;

// The design's points with the last word on each, and what was witnessed beyond them.
const readPoints = async () => {
  const [told, { witnesses }] = await Promise.all([getIfThere('/api/witness_points'), get('/api/witnesses')]);
  const points = new Map((told?.points ?? []).map((point) => [keyOf(point), point]));
  if (told === null) for (const w of witnesses) points.set(keyOf(w), withWord(points.get(keyOf(w)), w));
  return { designed: told !== null, points };
};

// A point after somebody's word on it: it was seen, or what was seen is taken back.
const withWord = (point, word) => ({
  text: word.point,
  ...point,
  subject: word.subject,
  point: word.point,
  witnessed: word.undone ? null : word,
  undone: word.undone ? word : null,
});

const MOST = 200; // drawn at once: nobody reads two thousand

let count = 0;

const wordOn = ({ by, at, note }) => `by ${by}, ${clock(at)}${note ? `; ${note}` : ''}`;

const seenParts = (point, words, where, tell, designed) => [
  el('p', { class: 'what' }, mark('witnessed', 'seen '), words),
  el('p', { class: 'evidence' }, `${where}: ${wordOn(point.witnessed)}`),
  designed
    ? el(
        'button',
        { type: 'button', 'aria-label': `Take back: ${words}, ${where}`, click: () => tell(point, '', true) },
        'Take back',
      )
    : null,
];

const openParts = (point, words, where, tell) => {
  count += 1;
  const note = el('input', { type: 'text', id: `note-${count}`, maxlength: 300, autocomplete: 'off' });
  const tick = () => tell(point, note.value.trim(), false);
  return [
    el('p', { class: 'what' }, words),
    el('p', { class: 'evidence' }, point.undone ? `${where}: taken back ${wordOn(point.undone)}` : where),
    el(
      'p',
      { class: 'tick' },
      el('button', { type: 'button', 'aria-label': `Tick: ${words}, ${where}`, click: tick }, 'Tick'),
      el('label', { for: note.id }, 'Note'),
      note,
    ),
  ];
};

const itemParts = (point, tell, designed) => {
  const words = point.text || point.point,
    where = subject(point.subject);
  const parts = point.witnessed ? seenParts(point, words, where, tell, designed) : openParts(point, words, where, tell);
  return parts.filter((part) => part !== null);
};

// The button that was pressed is gone: the keyboard stays at its point.
const redrawn = (node, parts) => {
  const held = node.contains(document.activeElement);
  node.replaceChildren(...parts);
  if (!held) return;
  node.tabIndex = -1;
  node.focus({ preventScroll: true });
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
  const adder = makeAdder(state, own, (...words) => post(...words));
  let points = new Map(),
    designed = true,
    most = MOST;
  const post = async (subject, point, note, undone) => {
    const by = name.ask(say);
    if (by === '') return false;
    try {
      hear({ note, ...(await send('POST', '/api/witnesses', { subject, point, by, note, ...(undone ? { undone } : {}) })) });
      say('');
      return true;
    } catch (fault) {
      say(fault.message);
      return false;
    }
  };
  const tell = (point, note, undone) => post(point.subject, point.point, note, undone);
  const hear = (word) => {
    const known = points.get(keyOf(word));
    const own = known?.witnessed ?? known?.undone;
    if (own?.at === word.at && own?.by === word.by) return; // the event of what was told from here
    points.set(keyOf(word), withWord(known, word));
    draw();
  };
  const draw = () => {
    const shown = [...points.values()].filter((point) => wanted(point.subject));
    keyed(
      list,
      shown.slice(0, most),
      keyOf,
      (point) => el('li', {}, itemParts(point, tell, designed)),
      (node, point) => redrawn(node, itemParts(point, tell, designed)),
    );
    adder.hidden = designed;
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
  return { node: el('div', {}, name.node, told, list, more, adder), load, change, redraw: draw };
};

// Where the service lists no points, they are written by hand.
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
        if (point.value.trim() !== '' && (await post(own ?? unit.value, point.value.trim(), '', false))) point.value = '';
      },
    },
    own ? null : [el('label', { for: 'new-unit' }, 'Unit'), unit],
    el('label', { for: 'new-point' }, 'Another point, seen by eye'),
    point,
    el('button', { type: 'submit' }, 'Tick it'),
  );
  return form;
};
