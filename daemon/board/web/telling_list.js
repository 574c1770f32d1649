// Who is told of what changed, and whether that arrived: as the service tells it, key by key.

import { el, facts, plain } from './dom.js';
import { getIfThere } from './feed.js';
import { clock } from './words.js';

const words = (told) => {
  if (told === null || told === undefined) return '';
  if (typeof told === 'object') return Object.values(told).map(words).filter(Boolean).join(', ');
  return clock(/^\d{4}-\d\d-\d\dT/.test(told) ? told : null) || String(told);
};

// Nothing where this service tells nobody of such a thing.
export const tellingParts = async () => {
  const told = await getIfThere('/api/telling');
  if (told === null) return [plain('This service does not tell whom it tells.', 'faint')];
  const ways = told.ways ?? [];
  if (ways.length === 0) return [plain('The settings name nobody who is told.', 'faint')];
  const pairs = (way) => Object.entries(way).map(([key, value]) => [key.replaceAll('_', ' '), words(value)]);
  return [
    el(
      'ul',
      { class: 'cards' },
      ways.map((way) => el('li', { class: 'card' }, facts(pairs(way)))),
    ),
  ];
};
