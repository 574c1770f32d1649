// Small drawings of figures: a course over time, a distribution, a bar against its limit. Each says in words what it shows, and
// has its figures as a table beside it.

import { el, makeTable, svg } from './dom.js';
import { clock, day } from './words.js';

const WIDTH = 560,
  HEIGHT = 170,
  LEFT = 78,
  RIGHT = 14,
  TOP = 14,
  BOTTOM = 30;

const text = (x, y, words, kind) => svg('text', { x, y, class: kind }, words);
const line = (x1, y1, x2, y2, kind) => svg('line', { x1, y1, x2, y2, class: kind });

const frame = (label, ...parts) =>
  svg(
    'svg',
    { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, role: 'img', 'aria-label': label, class: 'plot' },
    line(LEFT, HEIGHT - BOTTOM, WIDTH - RIGHT, HEIGHT - BOTTOM, 'axis'),
    line(LEFT, TOP, LEFT, HEIGHT - BOTTOM, 'axis'),
    ...parts,
  );

export const figure = (caption, picture, table) =>
  el(
    'figure',
    {},
    el('figcaption', {}, caption),
    picture,
    el('details', {}, el('summary', {}, 'The figures as a table'), el('div', { class: 'wide' }, table)),
  );

const scaleY = (most) => (v) => HEIGHT - BOTTOM - (v / most) * (HEIGHT - BOTTOM - TOP);

// Points [{at, value, uncertainty, unread}], the oldest first; what is unread leaves a gap. `limit` {low, high} of the target.
export const course = (caption, points, inWords, limit) => {
  const read = points.filter((p) => typeof p.value === 'number');
  const table = makeTable(
    caption,
    [
      ['when', (p) => clock(p.at)],
      ['reading', (p) => (typeof p.value === 'number' ? inWords(p.value) : 'unread')],
      ['why unread', (p) => p.unread ?? ''],
    ],
    (p) => `${p.round} ${p.at}`,
  );
  table.set([...points].reverse());
  if (read.length === 0) return figure(caption, el('p', { class: 'faint' }, 'Nothing was read yet.'), table.node);
  const times = points.map((p) => Date.parse(p.at));
  const from = Math.min(...times),
    to = Math.max(...times);
  const most = 1.12 * Math.max(...read.map((p) => p.value + (p.uncertainty ?? 0)), limit?.high ?? 0, limit?.low ?? 0, 1e-9);
  const x = (at) =>
    to === from ? (LEFT + WIDTH - RIGHT) / 2 : LEFT + 8 + ((at - from) / (to - from)) * (WIDTH - RIGHT - LEFT - 16);
  const y = scaleY(most);
  const parts = [];
  for (const edge of ['low', 'high'])
    if (typeof limit?.[edge] === 'number')
      parts.push(
        line(LEFT, y(limit[edge]), WIDTH - RIGHT, y(limit[edge]), 'limit'),
        text(LEFT - 6, y(limit[edge]) + 4, inWords(limit[edge]), 'tick limit-name'),
      );
  let path = '',
    pen = 'M';
  points.forEach((p, i) => {
    if (typeof p.value !== 'number') {
      pen = 'M';
      return parts.push(
        line(x(times[i]) - 3, HEIGHT - BOTTOM - 8, x(times[i]) + 3, HEIGHT - BOTTOM - 2, 'gap'),
        line(x(times[i]) + 3, HEIGHT - BOTTOM - 8, x(times[i]) - 3, HEIGHT - BOTTOM - 2, 'gap'),
      );
    }
    path += `${pen}${x(times[i]).toFixed(1)} ${y(p.value).toFixed(1)}`;
    pen = 'L';
    parts.push(svg('circle', { cx: x(times[i]), cy: y(p.value), r: points.length > 60 ? 1.5 : 3, class: 'point' }));
  });
  parts.push(svg('path', { d: path, class: 'course' }));
  const newest = read.at(-1);
  const near = (v) => [limit?.low, limit?.high].some((edge) => typeof edge === 'number' && Math.abs(y(edge) - y(v)) < 13);
  if (!near(newest.value)) parts.push(text(LEFT - 6, y(newest.value) + 4, inWords(newest.value), 'tick'));
  parts.push(
    text(LEFT, HEIGHT - 10, day(points[0].at), 'when'),
    text(WIDTH - RIGHT, HEIGHT - 10, day(points.at(-1).at), 'when end'),
  );
  const values = read.map((p) => p.value);
  const span = `from ${inWords(Math.min(...values))} to ${inWords(Math.max(...values))}, newest ${inWords(newest.value)}`;
  const label = `${caption}: ${read.length} of ${points.length} read, ${span}`;
  return figure(caption, frame(label, ...parts), table.node);
};

// "0:12 4736:310 118040:1": windows of 100 ms by the octets that each held at most. [{bps, windows}], the least first.
export const windowsOf = (word) => {
  const out = [];
  for (const part of String(word).split(' ')) {
    const [octets, count] = part.split(':').map(Number);
    if (Number.isFinite(octets) && Number.isFinite(count) && count > 0) out.push({ bps: octets * 80, windows: count });
  }
  return out.sort((a, b) => a.bps - b.bps);
};

// How often more than a rate was sent, on a logarithmic scale: what matters is the rare end.
export const distribution = (caption, windows, inWords) => {
  const all = windows.reduce((sum, w) => sum + w.windows, 0);
  const table = makeTable(
    caption,
    [
      ['rate in 100 ms', (w) => `at most ${inWords(w.bps)}`],
      ['windows', (w) => String(w.windows)],
      ['share', (w) => `${Number(((100 * w.windows) / all).toPrecision(3))} %`],
    ],
    (w) => w.bps,
  );
  table.set(windows);
  const most = 1.08 * Math.max(...windows.map((w) => w.bps), 1);
  const decades = Math.max(1, Math.ceil(Math.log10(all)));
  const x = (bps) => LEFT + (bps / most) * (WIDTH - RIGHT - LEFT);
  const y = (share) => TOP + (Math.min(decades, -Math.log10(share)) / decades) * (HEIGHT - BOTTOM - TOP);
  let above = all,
    path = `M${LEFT} ${y(1)}`;
  for (const w of windows) {
    path += `H${x(w.bps).toFixed(1)}`;
    above -= w.windows;
    path += `V${(above > 0 ? y(above / all) : HEIGHT - BOTTOM).toFixed(1)}`;
  }
  const parts = [];
  for (let i = 0; i <= Math.min(decades, 4); ++i)
    parts.push(
      line(LEFT - 4, y(10 ** -i), WIDTH - RIGHT, y(10 ** -i), 'rule'),
      text(LEFT - 8, y(10 ** -i) + 4, i === 0 ? 'always' : `1 in ${10 ** i}`, 'tick'),
    );
  for (const share of [0, 0.5, 1])
    parts.push(
      text(
        x(share * most),
        HEIGHT - 10,
        inWords(Number((share * most).toPrecision(2))),
        share === 1 ? 'when end' : share === 0 ? 'when' : 'when middle',
      ),
    );
  parts.push(svg('path', { d: path, class: 'course' }));
  const label = `${caption}: ${all} windows; the fullest held ${inWords(windows.at(-1)?.bps ?? 0)}`;
  return figure(caption, frame(label, ...parts), table.node);
};

// A lying bar: `full` is its length, `fill` what of it is used, `marks` [{at, kind, words}].
export const bar = (label, full, fill, marks, over) => {
  const x = (v) => 2 + (Math.max(0, Math.min(full, v)) / full) * (WIDTH - 4);
  return svg(
    'svg',
    { viewBox: `0 0 ${WIDTH} 40`, role: 'img', 'aria-label': label, class: 'plot bar-plot', preserveAspectRatio: 'none' },
    svg('rect', { x: 2, y: 10, width: WIDTH - 4, height: 20, rx: 4, class: 'pipe' }),
    fill === null
      ? null
      : svg('rect', { x: 4, y: 12, width: Math.max(0, x(fill) - 6), height: 16, rx: 2, class: over ? 'load over' : 'load' }),
    marks.map((m) => line(x(m.at), m.kind === 'ceiling' ? 3 : 7, x(m.at), m.kind === 'ceiling' ? 37 : 33, m.kind)),
  );
};
