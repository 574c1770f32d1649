// The live riser diagram: switches as bars with their ports in the order of their uplinks, cameras hanging from the ports with
// their heads, uplinks as pipes filled to their load against the ceiling line. Drawn whole only when the design, the width or
// who hangs where changes; an event changes the nodes that it speaks of.

import { el, setText, svg } from './dom.js';
import { BAR, FREE_PITCH, LANE, PIPE, PIPE_WIDTH, PITCH, layoutOf, treeOf } from './riser_layout.js';
import { changeUnit, drawUnit } from './riser_unit.js';
import { shapeAt } from './shapes.js';
import { bitRate } from './words.js';

const rowOf = (state, sw, uplink) => state.digest?.headroom.find((row) => row.uplink === `switch/${sw.id}/uplink/${uplink.id}`);

// What an uplink carries, in words: the same for eye and ear.
const loadInWords = (row, uplink) => {
  const speed = bitRate(uplink.speed_mbps * 1e6);
  if (!row) return [`${speed}, not measured yet`];
  const over = row.measured_bps > row.ceiling_bps ? ': over it' : '';
  const load = row.measured_bps === null ? `load unread of ${speed}` : `${bitRate(row.measured_bps)} of ${speed}`;
  return [
    load,
    row.direction ?? 'no stream crosses it',
    `ceiling ${bitRate(row.ceiling_bps)}${over}`,
    row.busiest_bps === null ? 'busiest instant unread' : `busiest instant ${bitRate(row.busiest_bps)}`,
  ];
};

// Two on a line where there is room.
const linesIn = (words, narrow) => (narrow ? words : [words.slice(0, 2).join(', '), words.slice(2).join('; ')]);

const fillPipe = (pipe, state) => {
  const { sw, uplink, x, lines, fill, marks, name, narrow } = pipe;
  const row = rowOf(state, sw, uplink);
  const at = (bps) => 10 + PIPE * (1 - Math.min(1, bps / (uplink.speed_mbps * 1e6)));
  const measured = row?.measured_bps ?? null;
  fill.setAttribute('y', measured === null ? 10 + PIPE : at(measured));
  fill.setAttribute('height', measured === null ? 0 : 10 + PIPE - at(measured));
  fill.setAttribute('class', row && measured > row.ceiling_bps ? 'load over' : 'load');
  const across = (bps, kind, beyond) =>
    svg('line', { x1: x - beyond, y1: at(bps), x2: x + PIPE_WIDTH + beyond, y2: at(bps), class: kind });
  marks.replaceChildren(
    ...(row ? [across(row.ceiling_bps, 'ceiling', 5)] : []),
    ...(row && row.busiest_bps !== null ? [across(row.busiest_bps, 'busiest', 3)] : []),
  );
  const words = loadInWords(row, uplink);
  const said = linesIn(words, narrow);
  lines.forEach((line, i) => setText(line, said[i] ?? ''));
  setText(name, `${sw.id}, uplink ${uplink.id} to ${uplink.to}: ${words.join('; ')}`);
};

// The pipes of a switch with what is said beside them.
const drawPipes = (sw, place, state) =>
  sw.uplinks.map((uplink, i) => {
    const x = place.left + i * (PIPE_WIDTH + 12);
    const top = 43 + i * place.spacing;
    const lines = Array.from({ length: place.narrow ? 4 : 2 }, (_, n) =>
      svg('text', { x: place.text, y: top + (n + 1) * 16, class: 'small' }),
    );
    const fill = svg('rect', { x: x + 2, width: PIPE_WIDTH - 4, class: 'load' });
    const marks = svg('g');
    const name = svg('title');
    const node = svg(
      'g',
      { class: 'uplink' },
      name,
      svg('rect', { x, y: 10, width: PIPE_WIDTH, height: PIPE, rx: 4, class: 'pipe' }),
      fill,
      marks,
      svg('line', { x1: x + PIPE_WIDTH / 2, y1: 10 + PIPE, x2: x + PIPE_WIDTH / 2, y2: place.top, class: 'trunk' }),
      svg('text', { x: place.text, y: top, class: 'small strong' }, `${uplink.id} → ${uplink.to}`),
      lines,
    );
    const pipe = { node, sw, uplink, x, lines, fill, marks, name, narrow: place.narrow };
    fillPipe(pipe, state);
    return pipe;
  });

// The lines that lead from the switch above into this one, past it, and on to those below.
const drawTrunks = (node, place) => {
  const laneAt = (depth) => 8 + depth * LANE + PIPE_WIDTH / 2;
  const line = (x1, y1, x2, y2) => svg('line', { x1, y1, x2, y2, class: 'trunk' });
  const out = [];
  for (let level = 1; level < node.depth; ++level)
    if (!node.last[level]) out.push(line(laneAt(level - 1), 0, laneAt(level - 1), place.height));
  if (node.depth > 0) {
    const from = laneAt(node.depth - 1);
    out.push(
      line(from, 0, from, node.last[node.depth] ? 5 : place.height),
      line(from, 5, place.trunk, 5),
      line(place.trunk, 5, place.trunk, 10),
    );
  } else if (node.sw.uplinks.length > 0) {
    out.push(line(place.trunk, 2, place.trunk, 10), line(place.trunk - 8, 2, place.trunk + 8, 2));
  }
  if (node.children > 0) out.push(line(place.trunk, place.top + BAR, place.trunk, place.height));
  return out;
};

const drawPort = (slot, y, half) => [
  svg('rect', { x: slot.x - half, y: y + 7, width: half * 2, height: 18, rx: 3, class: 'port' }),
  svg('text', { x: slot.x, y: y + 20, class: 'port-name' }, slot.port.length > 7 ? `…${slot.port.slice(-6)}` : slot.port),
];

const drawHanging = (slot, y, place) => {
  const middle = y + BAR + place.drop + place.body / 2;
  const drop = svg('line', { x1: slot.x, y1: y + BAR, x2: slot.x, y2: middle - place.body / 2, class: 'drop' });
  if (slot.stranger) {
    return svg(
      'g',
      { class: 'unit stranger' },
      drop,
      shapeAt('stranger', slot.x, middle, 26),
      svg('text', { x: slot.x, y: middle + 40, class: 'told' }, 'stranger'),
    );
  }
  return svg(
    'g',
    {},
    drop,
    svg('rect', { x: slot.x - 38, y: middle - 17, width: 76, height: 26, rx: 4, class: 'body' }),
    svg('text', { x: slot.x, y: middle, class: 'small middle' }, slot.label),
  );
};

const drawRows = (place, state) =>
  place.rows.flatMap((row, i) => {
    const out = [
      svg('rect', { x: place.left, y: row.y, width: row.width + place.units - place.left, height: BAR, rx: 4, class: 'bar' }),
    ];
    if (i > 0)
      out.unshift(
        svg('rect', { x: place.left, y: place.rows[i - 1].y + 4, width: 6, height: row.y - place.rows[i - 1].y, class: 'bar' }),
      );
    for (const slot of row.slots) {
      out.push(...drawPort(slot, row.y, slot.width > FREE_PITCH ? 26 : 16));
      slot.units.forEach((unit, n) =>
        out.push(drawUnit(state, unit, slot.x + (n - (slot.units.length - 1) / 2) * PITCH, row.y, row, place)),
      );
      if (slot.units.length === 0 && (slot.stranger || slot.label)) out.push(drawHanging(slot, row.y, place));
    }
    return out;
  });

const drawSwitch = (node, width, state, hangs) => {
  const { sw } = node;
  const place = layoutOf(node, width, (port) => hangs(sw, port));
  const pipes = drawPipes(sw, place, state);
  const picture = svg(
    'svg',
    { viewBox: `0 0 ${width} ${place.height}`, width, height: place.height, role: 'group', 'aria-label': `switch ${sw.id}` },
    drawTrunks(node, place),
    pipes.map((pipe) => pipe.node),
    svg('text', { x: place.text, y: 24, class: 'switch-name' }, sw.id, svg('tspan', { class: 'place', dx: 8 }, sw.place ?? '')),
    drawRows(place, state),
  );
  const figure = el('div', { class: 'switch' }, picture);
  return { figure, pipes, units: [...picture.querySelectorAll('a.unit')] };
};

const strangerPorts = (state) =>
  [...state.strangers.values()]
    .map((s) => s.seen_on)
    .filter(Boolean)
    .sort();

const hangersOf = (state) => {
  const units = new Map();
  for (const camera of state.cameras.values())
    units.set(`${camera.switch}/${camera.port}`, [...(units.get(`${camera.switch}/${camera.port}`) ?? []), camera]);
  const labels = new Map((state.site.recorders ?? []).map((r) => [`${r.switch}/${r.port}`, r.id.slice(0, 11)]));
  const strangers = new Set(strangerPorts(state));
  return (sw, port) => ({
    units: units.get(`${sw.id}/${port}`) ?? [],
    stranger: strangers.has(`${sw.id}/${port}`),
    label: labels.get(`${sw.id}/${port}`) ?? '',
  });
};

// Arrow keys walk from unit to unit; one of them at a time is a stop of the Tab key.
const walk = (place, units, event) => {
  const at = units.indexOf(event.target.closest('a.unit'));
  const next = { ArrowRight: at + 1, ArrowDown: at + 1, ArrowLeft: at - 1, ArrowUp: at - 1, Home: 0, End: units.length - 1 }[
    event.key
  ];
  if (at < 0 || next === undefined || !units[next]) return;
  event.preventDefault();
  units[at].setAttribute('tabindex', -1);
  units[next].setAttribute('tabindex', 0);
  units[next].focus();
};

// {place, draw(), change(changed)}; `state` is looked at anew each time.
export const makeRiser = (place, state) => {
  let units = new Map(),
    pipes = [],
    drawnWidth = 0,
    drawnStrangers = '';
  place.addEventListener('keydown', (event) => walk(place, [...units.values()], event));
  const draw = () => {
    if (!state.site) return;
    drawnWidth = place.clientWidth;
    drawnStrangers = strangerPorts(state).join();
    const width = Math.max(280, drawnWidth);
    const hangs = hangersOf(state);
    const drawn = treeOf(state.site.switches).map((node) => drawSwitch(node, width, state, hangs));
    pipes = drawn.flatMap((one) => one.pipes);
    units = new Map(drawn.flatMap((one) => one.units).map((node) => [node.dataset.unit, node]));
    units.values().next().value?.setAttribute('tabindex', 0);
    place.replaceChildren(...drawn.map((one) => one.figure));
  };
  const change = (changed) => {
    if (changed.parts.has('site') || strangerPorts(state).join() !== drawnStrangers) return draw();
    if (changed.parts.has('uplinks')) for (const pipe of pipes) fillPipe(pipe, state);
    for (const id of changed.cameras) if (units.has(id)) changeUnit(units.get(id), state);
  };
  const resized = () => {
    if (Math.abs(place.clientWidth - drawnWidth) > 4) draw();
  };
  return { draw, change, resized };
};
