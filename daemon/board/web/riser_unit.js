// One unit of the riser: its drop, its body with the shape of its presence, its heads, its name. Drawn once, then only changed.

import { setAttribute, setText, svg } from './dom.js';
import { BAR, HEAD, PITCH, headPlace, linesOf } from './riser_layout.js';
import { changeShape, shapeAt } from './shapes.js';
import { counted } from './words.js';

const headState = (state, unit, head) => state.digest?.units[unit.id]?.heads[head.id] ?? 'unread';

// Where it was seen, when that is not where the design wants it.
const elsewhere = (entry, unit) =>
  entry?.seen_on && entry.presence !== 'lost' && entry.seen_on !== `${unit.switch}/${unit.port}` ? entry.seen_on : '';

const looks = (state, unit) => {
  const entry = state.roll.get(unit.id);
  const presence = entry?.presence ?? 'awaited';
  const away = elsewhere(entry, unit);
  return { presence, away, heads: unit.heads.map((head) => headState(state, unit, head)) };
};

// Begins with what stands below the unit, so that who sees it can say it (WCAG 2.5.3).
const inWords = (unit, { presence, away, heads }) => {
  const groups = ['missed', 'tight', 'unread', 'met'].map((s) => [s, heads.filter((h) => h === s).length]).filter(([, n]) => n > 0);
  const told = groups.map(([s, n]) => `${counted(n, 'head')} ${s}`).join(', ');
  return `${unit.id} ${away ? `${away}, not where it should hang: ` : ''}${presence}; ${told}`;
};

export const drawUnit = (state, unit, x, y, row, place) => {
  const now = looks(state, unit);
  const middle = y + BAR + place.drop + place.body / 2;
  const headsTop = middle + place.body / 2 + 6;
  const namesTop = headsTop + row.headsHeight + 14;
  const shape = shapeAt(now.presence, x, middle, 17);
  const heads = now.heads.map((head, i) => {
    const [hx, hy] = headPlace(unit, i);
    return shapeAt(head, x + hx, headsTop + HEAD / 2 + hy, 11);
  });
  const frames = now.heads.map((_, i) => {
    const [hx, hy] = headPlace(unit, i);
    return svg('rect', { x: x + hx - HEAD / 2, y: headsTop + hy, width: HEAD, height: HEAD, rx: 3, class: 'head' });
  });
  const names = linesOf(unit.id);
  const told = svg('text', { x, y: namesTop + names.length * 14, class: 'told' }, now.away || now.presence);
  const node = svg(
    'a',
    {
      href: `#/unit/${encodeURIComponent(unit.id)}`,
      class: `unit ${now.presence}`,
      tabindex: -1,
      'aria-label': inWords(unit, now),
    },
    svg('rect', { x: x - PITCH / 2 + 2, y: y + BAR, width: PITCH - 4, height: row.height - BAR - 10, rx: 6, class: 'touch' }),
    svg('line', { x1: x, y1: y + BAR, x2: x, y2: middle - place.body / 2, class: 'drop' }),
    svg('circle', { cx: x, cy: middle, r: place.body / 2, class: 'body' }),
    shape,
    frames,
    heads,
    svg(
      'text',
      { class: 'name' },
      names.map((line, i) => svg('tspan', { x, y: namesTop + i * 14 }, line)),
    ),
    ' ',
    told,
  );
  Object.assign(node, { unit, shape, headShapes: heads, told, now });
  node.dataset.unit = unit.id;
  return node;
};

export const changeUnit = (node, state) => {
  const { unit, now: before } = node;
  const now = looks(state, unit);
  node.now = now;
  if (now.presence !== before.presence) {
    setAttribute(node, 'class', `unit ${now.presence}`);
    changeShape(node.shape, now.presence);
  }
  now.heads.forEach((head, i) => {
    if (head !== before.heads[i]) changeShape(node.headShapes[i], head);
  });
  setText(node.told, now.away || now.presence);
  setAttribute(node, 'aria-label', inWords(unit, now));
};
