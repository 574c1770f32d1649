// A shape for each state, so that colour is never needed, drawn in a box of 16.

import { el, svg } from './dom.js';

const DISC = 'M8 1.5a6.5 6.5 0 1 0 0 13a6.5 6.5 0 1 0 0-13z';
const CROSS = 'M3.5 3.5l9 9M12.5 3.5l-9 9';

// Fill, then lines in ink, then lines cut into the fill.
const paths = {
  met: { fill: DISC, cut: 'M4.8 8.3l2.3 2.3l4.2-4.8' },
  tight: { fill: 'M8 1.5a6.5 6.5 0 0 0 0 13z', line: DISC },
  missed: { line: CROSS },
  unread: { line: DISC },
  awaited: { dashed: DISC },
  arrived: { line: 'M8 1.2l6.8 6.8l-6.8 6.8l-6.8-6.8z' },
  lost: { line: 'M1.5 3h13l-6.5 11.2z' },
  stranger: { line: 'M2 2h12v12h-12zM6 6.4q0-2 2-2t2 1.8q0 1.2-2 2v1M8 11.2v.6' },
  witnessed: { line: 'M2 8.6l4.2 4.2l8-9.4' },
};
paths.proven = paths.met;
paths.wanting = paths.missed;
paths.over = paths.missed;
paths.nearly = paths.tight;
paths.running = paths.arrived;
paths.off = paths.lost;
paths.no_limit = paths.unread;

const parts = (state) =>
  Object.entries(paths[state] ?? paths.unread).map(([kind, d]) => svg('path', { d, class: `shape-${kind}` }));

// The shape inside a drawing, centred at x, y, `size` wide.
export const shapeAt = (state, x, y, size) =>
  svg('g', { class: 'shape', transform: `translate(${x - size / 2} ${y - size / 2}) scale(${size / 16})` }, parts(state));

export const changeShape = (group, state) => group.replaceChildren(...parts(state));

const said = { no_limit: 'no limit told' };

// Shape and word, for text and tables.
export const mark = (state, words = said[state] ?? state) =>
  el(
    'span',
    { class: `mark ${state}` },
    svg('svg', { viewBox: '0 0 16 16', class: 'shape', 'aria-hidden': 'true' }, parts(state)),
    words,
  );
