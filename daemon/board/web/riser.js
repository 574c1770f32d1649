// The live riser diagram: switches as bars with their ports, cameras hanging from the ports with their heads,
// uplinks as pipes filled to their load against the ceiling line.

import { worst } from './model.js';
import { bitRate, shapes, subject } from './words.js';

const NS = 'http://www.w3.org/2000/svg';
const PITCH = 96;       // width of a port
const BAR = 34;
const DROP = 64;        // from the bar to the camera
const PIPE = 150;
const ROW = BAR + DROP + 96;   // a bar with everything below it

const el = (name, attributes, ...children) => {
  const out = document.createElementNS(NS, name);
  for (const [key, v] of Object.entries(attributes)) out.setAttribute(key, v);
  out.append(...children);
  return out;
};

const text = (x, y, content, kind = '', anchor = 'middle') => el('text', { x, y, class: kind, 'text-anchor': anchor }, content);

const titled = (node, words) => {
  node.prepend(el('title', {}, words));
  return node;
};

// One camera below its port: box, shape of its state, name, heads.
const camera = (x, y, unit, state) => {
  const presence = state.roll.cameras.find((c) => c.camera === unit.id)?.presence ?? 'awaited';
  const group = el('g', { class: `unit ${presence}` });
  group.append(el('line', { x1: x, y1: y, x2: x, y2: y + DROP - 20, class: 'drop' }));
  group.append(el('circle', { cx: x, cy: y + DROP - 2, r: 16, class: 'body' }));
  group.append(text(x, y + DROP + 4, shapes[presence], 'shape'));
  unit.heads.forEach((head, i) => {
    const verdict = worst(state.round, `camera/${unit.id}/head/${head.id}`) ?? 'unread';
    const hx = x + (i - (unit.heads.length - 1) / 2) * 19;
    const dot = el('g', { class: `head ${verdict}` });
    dot.append(el('rect', { x: hx - 8, y: y + DROP + 22, width: 16, height: 16, rx: 3 }));
    dot.append(text(hx, y + DROP + 35, shapes[verdict], 'tiny'));
    group.append(titled(dot, `head ${head.id}: ${verdict}`));
  });
  // Long names stand on two lines, broken at a dash.
  const half = unit.id.length > 12 ? unit.id.lastIndexOf('-', 12) : -1;
  const lines = half > 0 ? [unit.id.slice(0, half + 1), unit.id.slice(half + 1)] : [unit.id];
  lines.forEach((line, i) => group.append(text(x, y + DROP + 56 + i * 15, line, 'name')));
  group.append(text(x, y + DROP + 56 + lines.length * 15, presence, 'presence'));
  return titled(group, `${unit.id}: ${presence}, ${unit.heads.length} heads`);
};

// An uplink: a pipe as long as its speed, filled to what was measured, with the busiest instant and the ceiling.
const pipe = (x, y, name, row, uplink) => {
  const group = el('g', { class: 'uplink' });
  const speed = uplink.speed_mbps * 1e6;
  const share = (bps) => Math.min(1, bps / speed) * PIPE;
  group.append(el('rect', { x, y, width: PIPE, height: 18, rx: 9, class: 'pipe' }));
  const measured = row?.measured_bps ?? null;
  if (measured !== null) group.append(el('rect', { x: x + 2, y: y + 2, width: Math.max(0, share(measured) - 4), height: 14, rx: 7, class: 'load' }));
  if (row && row.busiest_bps !== null) group.append(el('line', { x1: x + share(row.busiest_bps), y1: y - 3, x2: x + share(row.busiest_bps), y2: y + 21, class: 'busiest' }));
  if (row) group.append(el('line', { x1: x + share(row.ceiling_bps), y1: y - 6, x2: x + share(row.ceiling_bps), y2: y + 24, class: 'ceiling' }));
    const load = measured === null ? 'load unread' : `${bitRate(measured)} of ${bitRate(speed)}`;
  group.append(text(x, y - 10, `${name} → ${uplink.to}`, 'pipe-name', 'start'));
  group.append(text(x, y + 36, load, 'pipe-name', 'start'));
  if (row && row.busiest_bps !== null) group.append(text(x, y + 51, `busiest ${bitRate(row.busiest_bps)}`, 'pipe-name', 'start'));
  return titled(group, `uplink ${name} to ${uplink.to}: ${load}`);
};

// One row of a switch's ports with what hangs on them.
const bar = (y, ports, units, width, state) => {
  const group = el('g', { class: 'switch' });
  group.append(el('rect', { x: 10, y, width, height: BAR, rx: 4, class: 'bar' }));
  ports.forEach((port, i) => {
    const x = 10 + PITCH / 2 + i * PITCH;
    group.append(el('rect', { x: x - 20, y: y + 7, width: 40, height: 20, rx: 3, class: 'port' }));
    group.append(text(x, y + 21, port, 'port-name'));
    for (const unit of units.filter((u) => u.port === port)) group.append(camera(x, y + BAR, unit, state));
  });
  return group;
};

// Ports that something hangs on, cut into rows of a width that the screen has.
const rowsOf = (sw, state, most) => {
  const used = sw.ports.filter((port) => state.site.cameras.some((c) => c.switch === sw.id && c.port === port));
  const rows = [];
  for (let i = 0; i < Math.max(1, used.length); i += most) rows.push(used.slice(i, i + most));
  return rows;
};

// Beside the bar where there is room for it, else between the switch's name and its bar: a phone needs no sideways swipe.
export const draw = (place, state) => {
  if (!state.site) return;
  const { switches, cameras } = state.site;
  const room = Math.max(300, place.clientWidth - 16);
  const beside = room >= 700;
  const pipesWidth = beside && switches.some((sw) => sw.uplinks.length > 0) ? 40 + PIPE : 0;
  const most = Math.max(2, Math.floor((room - 20 - pipesWidth) / PITCH));
  const layout = switches.map((sw) => ({ sw, rows: rowsOf(sw, state, most) }));
  const barWidth = PITCH * Math.max(1, ...layout.flatMap(({ rows }) => rows.map((row) => row.length)));
  const width = 20 + barWidth + pipesWidth;
  const svg = el('svg', { role: 'img' });
  let y = 30;
  for (const { sw, rows } of layout) {
    svg.append(text(18, y - 8, `${sw.id}${sw.place ? ` · ${sw.place}` : ''}`, 'switch-name', 'start'));
    const top = y + (beside ? 0 : sw.uplinks.length * 78 + (sw.uplinks.length > 0 ? 6 : 0));
    sw.uplinks.forEach((uplink, i) => {
      const measured = state.round?.headroom?.find((r) => r.uplink === `switch/${sw.id}/uplink/${uplink.id}`);
      const [px, py] = beside ? [40 + barWidth, y + i * 84] : [30, y + 18 + i * 78];
      svg.append(beside ? el('line', { x1: 10 + barWidth, y1: y + BAR / 2, x2: px, y2: py + 9, class: 'drop' })
        : el('polyline', { points: `${px},${py + 9} 18,${py + 9} 18,${top + BAR / 2}`, class: 'drop', fill: 'none' }));
      svg.append(pipe(px, py, uplink.id, measured, uplink));
    });
    const units = cameras.filter((c) => c.switch === sw.id);
    rows.forEach((row, i) => svg.append(bar(top + i * ROW, row, units, row.length > 0 ? barWidth : PITCH, state)));
    y = Math.max(top + rows.length * ROW, y + (beside ? sw.uplinks.length * 84 : 0)) + 34;
  }
  for (const [name, value] of Object.entries({ viewBox: `0 0 ${width} ${y - 24}`, width, height: y - 24,
    'aria-label': `Riser: ${switches.length} switches, ${cameras.length} cameras` })) svg.setAttribute(name, value);
  place.replaceChildren(svg);
};

export const key = (place) => {
  place.textContent = ['proven', 'arrived', 'awaited', 'wanting', 'lost'].map((s) => `${shapes[s]} ${s}`).join('   ')
    + '   |  heads: ' + ['met', 'tight', 'missed', 'unread'].map((s) => `${shapes[s]} ${s}`).join('   ')
    + '   |  pipe: fill is measured, thin line the busiest instant, thick line the ceiling';
};

export const describe = (path) => subject(path);
