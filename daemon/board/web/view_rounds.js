// Rounds: the list, accepting one, what changed between any two, what drifted from the accepted one.

import { el, makeTable, section } from './dom.js';
import { currentToken, get, getIfThere, request, send } from './feed.js';
import { makeName } from './own_name.js';
import { subjectLink } from './site_lists.js';
import { tellingParts } from './telling_list.js';
import { clock, countsInWords, duration, quantity, sentence, value } from './words.js';

export const title = ([a, , b] = []) => (a && b ? `Rounds: ${a} since ${b}` : 'Rounds');

const asWords = (row, given) =>
  typeof given === 'number' ? value(row.quantity ?? '', given) : given === null || given === undefined ? '' : String(given);

const changesTable = (caption) =>
  makeTable(
    caption,
    [
      ['of', (r) => subjectLink(r.subject)],
      [
        'what',
        (r) =>
          [r.aspect?.replaceAll('_', ' '), r.quantity && r.quantity !== r.aspect ? quantity(r.quantity) : '']
            .filter(Boolean)
            .join(': '),
      ],
      ['was', (r) => asWords(r, r.was)],
      ['is', (r) => asWords(r, r.is)],
      ['nights', (r) => (r.nights ? String(r.nights) : '')],
      ['in words', (r) => sentence(r.text ?? '')],
    ],
    (r) => `${r.subject} ${r.aspect} ${r.quantity}`,
  );

// A page that was let in by a token cannot send it with a link: then the sheet is fetched and kept as a file.
const sheetLink = (round, say) => {
  const path = `/api/sheet?round=${round}`;
  return el(
    'a',
    {
      href: path,
      target: '_blank',
      rel: 'noopener',
      click: async (event) => {
        if (currentToken() === '') return;
        event.preventDefault();
        try {
          const address = URL.createObjectURL(await (await request('GET', path)).blob());
          el('a', { href: address, download: `round-${round}.html` }).click();
          setTimeout(() => URL.revokeObjectURL(address), 60000);
        } catch (fault) {
          say(fault.message);
        }
      },
    },
    `Sheet of round ${round}`,
  );
};

// One that was broken off ended before anybody noticed.
const took = (r) => (r.ended && r.state !== 'broken_off' ? duration((Date.parse(r.ended) - Date.parse(r.started)) / 1000) : '');

const listTable = (accept, say) =>
  makeTable(
    'Rounds, the newest first',
    [
      ['round', (r) => `${r.round}`],
      ['kind', (r) => r.kind],
      ['started', (r) => clock(r.started)],
      ['took', took],
      ['state', (r) => r.state.replaceAll('_', ' ')],
      ['targets', (r) => (r.counts ? countsInWords(r.counts) : '')],
      ['accepted', (r) => acceptedCell(r, accept)],
      ['sheet', (r) => (r.state === 'complete' && r.kind !== 'prove' ? sheetLink(r.round, say) : '')],
    ],
    (r) => r.round,
  );

const acceptedCell = (r, accept) => {
  if (r.accepted) return `by ${r.accepted.by}, ${clock(r.accepted.at)}`;
  if (r.state !== 'complete' || r.kind === 'prove') return '';
  return el('button', { type: 'button', 'aria-label': `Accept round ${r.round}`, click: () => accept(r.round) }, 'Accept');
};

const makeCompare = (rest) => {
  const a = el('select', { id: 'compare-a' }),
    b = el('select', { id: 'compare-b' });
  const form = el(
    'form',
    {
      class: 'adder',
      submit: (event) => {
        event.preventDefault();
        if (a.value && b.value) location.hash = `#/rounds/${a.value}/since/${b.value}`;
      },
    },
    el('label', { for: 'compare-a' }, 'What changed in round'),
    a,
    el('label', { for: 'compare-b' }, 'since round'),
    b,
    el('button', { type: 'submit' }, 'Compare'),
  );
  const fill = (rounds) => {
    const whole = rounds.filter((r) => r.state === 'complete' && r.kind !== 'prove');
    const options = () => whole.map((r) => el('option', { value: r.round }, `${r.round}: ${r.kind}, ${clock(r.started)}`));
    const accepted = whole.find((r) => r.accepted);
    for (const [select, wanted] of [
      [a, rest[0] ?? whole[0]?.round],
      [b, rest[2] ?? accepted?.round ?? whole[1]?.round],
    ]) {
      const chosen = select.value || wanted;
      select.replaceChildren(...options());
      if (chosen !== undefined) select.value = String(chosen);
    }
  };
  return { form, fill };
};

const makeChanges = (rest, say) => {
  const told = el('p', { class: 'faint', role: 'status' }),
    table = changesTable(`What changed in round ${rest[0]} since round ${rest[2]}`);
  const wide = el('div', { class: 'wide', hidden: true }, table.node);
  const load = async () => {
    try {
      const { changes } = await get(`/api/rounds/${Number(rest[0])}/changes?since=${Number(rest[2])}`);
      told.textContent = changes.length === 0 ? `Nothing changed in round ${rest[0]} since round ${rest[2]}.` : '';
      table.set(changes);
      wide.hidden = changes.length === 0;
    } catch (fault) {
      told.textContent =
        fault.status === 404 ? 'One of the two rounds is not there, or this service does not compare rounds.' : fault.message;
    }
  };
  return { nodes: [told, wide], load };
};

const driftWords = (answer, count) => {
  const none = 'No round is accepted yet. Accept one: every later one is then compared with it.';
  if (answer === null) return `This service does not tell drift. ${none}`;
  if (answer.accepted === null) return none;
  const accepted = `round ${roundOf(answer.accepted)}, the accepted one`;
  if (answer.round === null) return `No complete round is later than ${accepted}, yet.`;
  return count === 0 ? `Round ${answer.round} shows no drift from ${accepted}.` : `Round ${answer.round} against ${accepted}.`;
};

const makeDrift = (say) => {
  const told = el('p', { class: 'faint' }),
    table = changesTable('What drifted from the accepted round');
  const wide = el('div', { class: 'wide', hidden: true }, table.node);
  const load = async () => {
    try {
      const answer = await getIfThere('/api/drift');
      const rows = answer?.drift ?? [];
      told.textContent = driftWords(answer, rows.length);
      table.set(rows);
      wide.hidden = rows.length === 0;
    } catch (fault) {
      say(fault.message);
    }
  };
  return { nodes: [told, wide], load };
};

const roundOf = (accepted) => (typeof accepted === 'object' && accepted !== null ? accepted.round : accepted);

export const open = (box, { say, rest }) => {
  const comparing = rest[1] === 'since' && rest[2] !== undefined;
  const name = makeName('Your name, for accepting');
  const accept = async (round) => {
    const by = name.ask(say);
    if (by === '') return;
    try {
      await send('POST', `/api/rounds/${round}/accept`, { by });
      await Promise.all([load(), drift.load()]);
    } catch (fault) {
      say(fault.message);
    }
  };
  const table = listTable(accept, say),
    compare = makeCompare(rest),
    changes = makeChanges(rest, say),
    drift = makeDrift(say);
  const none = el('p', { class: 'faint' });
  const load = async () => {
    try {
      const { rounds } = await get('/api/rounds?limit=200');
      table.set(rounds);
      compare.fill(rounds);
      none.textContent = rounds.length === 0 ? 'No round has run yet.' : '';
    } catch (fault) {
      say(fault.message);
    }
  };
  const telling = el('div', {});
  const tell = async () => {
    try {
      telling.replaceChildren(...(await tellingParts()));
    } catch (fault) {
      say(fault.message);
    }
  };
  if (comparing)
    box.append(
      section('changes', `Round ${rest[0]} since round ${rest[2]}`, changes.nodes),
      el('p', {}, el('a', { href: '#/rounds' }, 'All rounds')),
    );
  box.append(
    section('compare', 'Compare two rounds', compare.form),
    section('drift', 'Drift', drift.nodes),
    section('list', 'All rounds', name.node, none, el('div', { class: 'wide' }, table.node)),
    section('telling', 'Who is told', telling),
  );
  load();
  tell();
  drift.load();
  if (comparing) changes.load();
  const change = (changed) => {
    const told = (...names) => changed.parts.has('reloaded') || changed.events.some(([event]) => names.includes(event));
    if (told('round_started', 'round_ended')) load();
    if (told('round_ended', 'drift')) drift.load();
    if (told('told')) tell();
  };
  return { change };
};
