// The nights of a unit, the newest last: a shape each, and the same as a table.

import { el, makeTable } from './dom.js';
import { getIfThere, parameter } from './feed.js';
import { figure } from './plot.js';
import { mark, shapeAt } from './shapes.js';
import { svg } from './dom.js';
import { clock, countsInWords, day } from './words.js';

const NIGHTS = 60,
  CELL = 18,
  IN_A_ROW = 30;

const stateOf = (night) => {
  if (night.presence === 'lost' || night.presence === 'awaited') return night.presence;
  const worst = ['missed', 'unread', 'tight', 'met'].find((name) => night.counts?.[name] > 0);
  return worst ?? night.presence;
};

const strip = (nights) => {
  const rows = Math.ceil(nights.length / IN_A_ROW),
    width = IN_A_ROW * CELL + 4;
  const bad = nights.filter((night) => ['lost', 'awaited', 'missed'].includes(stateOf(night))).length;
  const told = bad === 0 ? 'in none was it gone or a target missed' : `in ${bad} it was gone or a target was missed`;
  const label = `${nights.length} rounds from ${day(nights[0].at)} to ${day(nights.at(-1).at)}: ${told}`;
  return svg(
    'svg',
    { viewBox: `0 0 ${width} ${rows * CELL + 4}`, role: 'img', 'aria-label': label, class: 'plot strip' },
    nights.map((night, i) =>
      svg(
        'g',
        {},
        svg('title', {}, `${day(night.at)}: ${stateOf(night)}`),
        shapeAt(stateOf(night), 2 + ((i % IN_A_ROW) + 0.5) * CELL, 2 + (Math.floor(i / IN_A_ROW) + 0.5) * CELL, 12),
      ),
    ),
  );
};

export const nightsOf = async (id) => {
  const told = await getIfThere(`/api/nights?camera=${parameter(id)}&nights=${NIGHTS}`);
  if (told === null) return el('p', { class: 'faint' }, 'This service does not tell earlier nights.');
  if (told.nights.length === 0) return el('p', { class: 'faint' }, 'No round of the whole site is complete yet.');
  const table = makeTable(
    'Rounds of the whole site',
    [
      ['when', (n) => clock(n.at)],
      ['presence', (n) => mark(n.presence)],
      ['targets', (n) => countsInWords(n.counts)],
      ['round', (n) => `${n.round}, ${n.kind}`],
    ],
    (n) => n.round,
  );
  table.set([...told.nights].reverse());
  return figure(`The last ${told.nights.length} rounds of the whole site, the newest last`, strip(told.nights), table.node);
};
