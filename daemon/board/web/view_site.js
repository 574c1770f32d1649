// The whole site: the riser, what needs a hand, the roll.

import { el, section } from './dom.js';
import { makeRiser } from './riser.js';
import { makeRoundControl } from './round_control.js';
import { mark } from './shapes.js';
import { makeHands, makeRoll } from './site_lists.js';

const key = () =>
  el(
    'ul',
    { class: 'key' },
    ['proven', 'arrived', 'awaited', 'wanting', 'lost'].map((s) => el('li', {}, mark(s))),
    ['met', 'tight', 'missed', 'unread'].map((s) => el('li', {}, mark(s, `head ${s}`))),
    el('li', {}, 'pipe: filled to what was measured; thin line: busiest instant; thick line: ceiling'),
  );

export const title = () => 'Site';

export const open = (place, { state, say }) => {
  const control = makeRoundControl(state, say);
  const hands = makeHands(state);
  const roll = makeRoll(state);
  const drawing = el('div', {
    id: 'riser',
    role: 'group',
    'aria-labelledby': 'riser-part-title',
    'aria-describedby': 'riser-help',
  });
  const riser = makeRiser(drawing, state);
  place.append(
    control.node,
    section(
      'riser-part',
      'Riser',
      el('p', { id: 'riser-help', class: 'hidden' }, 'Arrow keys walk from unit to unit. The roll below says the same as a table.'),
      drawing,
      key(),
    ),
    section('hands', 'Needs a hand', hands.nodes),
    section('roll', 'Roll', roll.nodes),
  );
  control.draw();
  riser.draw();
  hands.draw();
  roll.draw();
  if (state.site) performance.mark('riser-drawn'); // tests/bench/board_bench.py reads it
  const watch = new ResizeObserver(() => riser.resized());
  watch.observe(drawing);
  const change = (changed) => {
    const has = (...parts) => parts.some((part) => changed.parts.has(part));
    if (has('running', 'digest', 'service')) control.draw();
    if (has('findings', 'digest')) hands.draw();
    if (changed.cameras.size > 0 || has('site', 'strangers')) roll.draw();
    riser.change(changed);
  };
  return { change, close: () => watch.disconnect() };
};
