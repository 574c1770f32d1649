// The bench: how long each boxed unit has been powered, against the limit of its installation guide.

import { el, keyed, setAttribute, setText } from './dom.js';
import { get, send } from './feed.js';
import { mark } from './shapes.js';
import { unitLink } from './site_lists.js';
import { clock, counted, duration, readingInWords, quantity, sentence } from './words.js';

export const title = () => 'Bench';

// The service ends a bench that nobody looks at for 60 s: so one that runs is looked at while this view is open.
const LOOK_MS = 20000;

const stateText = {
  awaited: 'awaited',
  running: 'running',
  nearly: 'nearly at its limit',
  over: 'over its limit',
  off: 'off',
  no_limit: 'no limit told',
};

const ambient = (unit) =>
  unit.ambient_min_c === null && unit.ambient_max_c === null
    ? 'Ambient range: the design tells none.'
    : `Only between ${unit.ambient_min_c ?? '?'} and ${unit.ambient_max_c ?? '?'} °C ambient; the room itself is unread.`;

const card = (unit) => {
  const face = el('p', { class: 'clock' }),
    bar =
      unit.limit_s && unit.powered_since
        ? el('progress', { max: unit.limit_s, value: 0, 'aria-label': `${unit.camera}: powered, of its limit` })
        : null;
  const who = [
    unit.model,
    unit.serial,
    unit.firmware ? `firmware ${unit.firmware}` : '',
    unit.heads !== null ? `${unit.heads} heads` : '',
  ]
    .filter(Boolean)
    .join(', ');
  const restarts = unit.restarts.length > 0 ? `; restarted ${counted(unit.restarts.length, 'time')}` : '';
  const from = unit.power_on_seen ? 'Powered since' : 'Powered at least since';
  const since = unit.powered_since ? `${from} ${clock(unit.powered_since)}${restarts}.` : '';
  const parts = [
    el('h3', {}, unitLink(unit.camera), ' ', mark(unit.state, stateText[unit.state])),
    face,
    bar,
    unit.warning ? el('p', { class: 'what' }, sentence(unit.warning)) : null,
    el('p', { class: 'faint' }, [unit.place ? sentence(unit.place) : '', since].filter(Boolean).join(' ')),
    el('p', { class: 'faint' }, ambient(unit)),
    who ? el('p', {}, sentence(`It says: ${who}`)) : null,
    unit.verdicts
      .filter((v) => v.verdict === 'missed')
      .map((v) =>
        el(
          'p',
          {},
          mark('missed'),
          ` ${quantity(v.quantity)}: ${readingInWords(v.quantity, v.reading)}; the design: ${v.target.text}`,
        ),
      ),
  ];
  return { parts: parts.flat().filter((part) => part !== null), face, bar };
};

// How long it has been powered now, reckoned on from the newest look.
const setClock = (node, looked) => {
  const unit = node.item;
  const counts = ['running', 'nearly', 'over', 'no_limit'].includes(unit.state);
  const powered = unit.powered_for_s === null ? null : unit.powered_for_s + (counts ? (performance.now() - looked) / 1000 : 0);
  if (powered === null) return setText(node.face, 'not powered yet');
  if (unit.state === 'off') return setText(node.face, `off; it was powered for ${duration(Math.round(powered))}`);
  const left =
    unit.limit_s === null
      ? ''
      : powered > unit.limit_s
        ? `, over by ${duration(Math.round(powered - unit.limit_s))}`
        : `, ${duration(Math.round(unit.limit_s - powered))} left of ${duration(unit.limit_s)}`;
  setText(node.face, `${duration(Math.round(powered))}${left}`);
  if (node.bar) setAttribute(node.bar, 'value', Math.min(unit.limit_s, powered).toFixed(0));
};

// All that stands on a card but for the clock itself.
const lasting = ({ powered_for_s, left_s, verdicts, ...rest }) =>
  JSON.stringify([rest, verdicts.map((v) => [v.quantity, v.verdict, v.reading.value])]);

const make = (unit) => change(el('li', {}), unit);
const change = (node, unit) => {
  if (node.lasting === lasting(unit)) return node;
  node.lasting = lasting(unit);
  const { parts, face, bar } = card(unit);
  node.className = `card bench ${unit.state}`;
  node.replaceChildren(...parts);
  return Object.assign(node, { face, bar });
};

export const open = (box, { say }) => {
  let bench = null,
    looked = 0;
  const told = el('p', { class: 'faint' }),
    list = el('ul', { class: 'cards' });
  const ask = (method, body) =>
    (method === 'GET' ? get('/api/bench') : send(method, '/api/bench', body)).then(take, (fault) => say(fault.message));
  const start = el('button', { type: 'button', class: 'main', click: () => ask('POST', { cameras: [] }) }, 'Run the bench');
  const end = el('button', { type: 'button', click: () => ask('DELETE') }, 'End the bench');
  box.append(
    el(
      'p',
      {},
      'A boxed unit may stay powered only as long as its installation guide allows, and comes out hot: let it cool before you take hold of it.',
    ),
    el('div', { class: 'buttons' }, start, end),
    told,
    list,
  );
  const tick = () => {
    for (const node of list.children) setClock(node, looked);
  };
  const take = (answer) => {
    bench = answer;
    looked = performance.now();
    start.hidden = bench.bench !== null;
    end.hidden = bench.bench === null;
    setText(
      told,
      bench.bench === null
        ? 'No bench runs: the clocks are shown, and nobody is warned or asked who it is.'
        : 'The bench runs: it warns at 80 % of a limit and at the limit, and ends a minute after this view is closed.',
    );
    keyed(list, bench.units, (unit) => unit.camera, make, change);
    tick();
  };
  ask('GET');
  const second = setInterval(tick, 1000);
  const look = setInterval(() => {
    if (bench?.bench !== null) ask('GET');
  }, LOOK_MS);
  let soon = 0;
  const moved = (changed) => {
    if (
      soon ||
      (changed.cameras.size === 0 && !changed.parts.has('reloaded') && !changed.events.some(([name]) => name === 'bench'))
    )
      return;
    soon = setTimeout(() => {
      soon = 0;
      ask('GET');
    }, 300);
  };
  return {
    change: moved,
    close: () => {
      clearInterval(second);
      clearInterval(look);
      clearTimeout(soon);
    },
  };
};
