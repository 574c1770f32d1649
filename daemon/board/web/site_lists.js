// What needs a hand, and the roll: lists whose entries change one by one.

import { el, keyed, makeTable, setText } from './dom.js';
import { mark } from './shapes.js';
import { clock, counted, sentence, subject } from './words.js';

const unitOf = (path) => (path.startsWith('camera/') ? path.split('/')[1] : null);

export const unitLink = (id) => el('a', { href: `#/unit/${encodeURIComponent(id)}` }, id);

export const subjectLink = (path) => {
  const unit = unitOf(path);
  if (unit === null) return subject(path);
  const words = subject(path);
  return [unitLink(unit), words.slice(unit.length)];
};

const findingParts = (finding, linked) =>
  [
    el('p', { class: 'what' }, sentence(finding.sentence)),
    finding.next_step ? el('p', { class: 'next' }, el('b', {}, 'Try: '), sentence(finding.next_step)) : null,
    finding.evidence?.length > 0 ? el('p', { class: 'evidence' }, finding.evidence.join('; ')) : null,
    linked && unitOf(finding.subject)
      ? el(
          'p',
          { class: 'way' },
          el('a', { href: `#/unit/${encodeURIComponent(unitOf(finding.subject))}` }, `All of ${unitOf(finding.subject)}`),
        )
      : null,
  ].filter((part) => part !== null);

const findingKey = (finding) => `${finding.id} ${finding.subject} ${finding.sentence}`;

export const showFindings = (list, findings, linked) =>
  keyed(
    list,
    findings,
    findingKey,
    (finding) => el('li', {}, findingParts(finding, linked)),
    (node, finding) => node.replaceChildren(...findingParts(finding, linked)),
  );

// Conflicts that the arrivals show now, then what the rounds found.
export const allFindings = (state) => {
  const live = [...state.conflicts.values()];
  const told = new Set(live.map((f) => `${f.id} ${f.subject}`));
  return [...live, ...(state.digest?.findings ?? []).filter((f) => !told.has(`${f.id} ${f.subject}`))];
};

export const makeHands = (state) => {
  const list = el('ol', { class: 'findings' });
  const from = el('p', { class: 'faint' });
  const draw = () => {
    const all = allFindings(state);
    showFindings(list, all, true);
    list.hidden = all.length === 0;
    const newest = state.digest?.rounds.at(-1);
    const told = newest
      ? `by round ${newest.round}, ${clock(newest.ended ?? newest.started)}, and by what the arrivals show now`
      : 'by what the arrivals show';
    setText(
      from,
      all.length === 0
        ? `Nothing, ${told}.${newest ? '' : ' No round has run yet.'}`
        : `${counted(all.length, 'finding')}, ${told}.`,
    );
  };
  return { nodes: [from, list], draw };
};

// The worst first: who looks at the roll looks for what is wrong.
const presences = ['lost', 'wanting', 'awaited', 'arrived', 'proven'];

const rollRows = (state) => {
  const cameras = [...state.cameras.values()].map(
    (camera) => state.roll.get(camera.id) ?? { camera: camera.id, presence: 'awaited' },
  );
  const strangers = [...state.strangers.values()].map((s) => strangerRow(s));
  return [...cameras, ...strangers];
};

const strangerRows = new WeakMap();
const strangerRow = (s) => {
  if (!strangerRows.has(s))
    strangerRows.set(s, {
      camera: s.hardware_address,
      presence: 'stranger',
      seen_on: s.seen_on,
      address: s.address,
      since: s.first_seen,
      reason: [s.maker, s.name].filter(Boolean).join(', ') || 'not in the design',
      stranger: true,
    });
  return strangerRows.get(s);
};

export const makeRoll = (state) => {
  const table = makeTable(
    'Every camera of the design, and strangers',
    [
      ['camera', (r) => unitLink(r.camera), (r) => r.camera],
      ['presence', (r) => mark(r.presence), (r) => r.presence],
      ['place', (r) => (r.stranger ? '' : (state.cameras.get(r.camera)?.place ?? ''))],
      ['seen on', (r) => r.seen_on ?? ''],
      ['address', (r) => r.address ?? ''],
      ['since', (r) => clock(r.since)],
      ['why', (r) => r.reason ?? ''],
    ],
    (r) => r.camera,
  );
  const find = el('input', { type: 'search', id: 'find', autocomplete: 'off', spellcheck: 'false', input: () => draw() });
  const counts = el('p', { class: 'faint' });
  const matches = (r) => {
    const wanted = find.value.trim().toLowerCase();
    if (wanted === '') return true;
    return [r.camera, r.presence, state.cameras.get(r.camera)?.place, r.seen_on, r.address].some((words) =>
      words?.toLowerCase().includes(wanted),
    );
  };
  const draw = () => {
    const rows = rollRows(state);
    table.set(rows.filter(matches));
    const parts = presences
      .map((p) => [p, rows.filter((r) => r.presence === p).length])
      .filter(([, n]) => n > 0)
      .map(([p, n]) => `${n} ${p}`);
    if (state.strangers.size > 0) parts.push(counted(state.strangers.size, 'stranger'));
    setText(counts, `${counted(state.cameras.size, 'unit')}: ${parts.join(', ')}.`);
  };
  const finder = el('p', { class: 'finder' }, el('label', { for: 'find' }, 'Find in the roll'), find);
  return { nodes: [counts, finder, el('div', { class: 'wide' }, table.node)], draw };
};
