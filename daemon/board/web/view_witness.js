// All witness points: what only a person can confirm.

import { el } from './dom.js';
import { makePoints } from './witness_points.js';

export const title = () => 'Witness points';

export const open = (box, { state, say }) => {
  const find = el('input', { type: 'search', id: 'find', autocomplete: 'off', spellcheck: 'false', input: () => points.redraw() });
  const points = makePoints(state, say, (subject) => subject.toLowerCase().includes(find.value.trim().toLowerCase()), null);
  box.append(
    el(
      'p',
      {},
      'Tick what you have seen with your own eyes. Mind work at height; the unit’s installation guide and local codes come first.',
    ),
    el('p', { class: 'finder' }, el('label', { for: 'find' }, 'Find a unit'), find),
    points.node,
  );
  points.load();
  return { change: points.change };
};
