// Where everything of the riser stands, for a width in pixels. Pure: no document.

export const PITCH = 92; // of a port that something hangs on
export const FREE_PITCH = 36; // of a free one
export const BAR = 32;
export const LANE = 26; // how far a switch stands in from the one that feeds it
export const PIPE = 84; // height of an uplink's pipe
export const PIPE_WIDTH = 20;
export const HEAD = 17;
const HEADS_IN_A_ROW = 4;

// Switches in the order of the tree that their uplinks make: [{sw, depth, last}], `last` telling for each level whether the
// switch, or what it hangs below, is the last there. What is in a ring, or hangs on nothing, stands on top.
export const treeOf = (switches) => {
  const ids = new Set(switches.map((sw) => sw.id));
  const parentOf = new Map(
    switches.map((sw) => [sw.id, sw.uplinks.map((u) => u.to).find((to) => ids.has(to) && to !== sw.id) ?? null]),
  );
  const out = [],
    placed = new Set();
  const place = (sw, depth, last) => {
    if (placed.has(sw.id)) return;
    placed.add(sw.id);
    const children = switches.filter((one) => parentOf.get(one.id) === sw.id && !placed.has(one.id));
    out.push({ sw, depth, last, children: children.length });
    children.forEach((child, i) => place(child, depth + 1, [...last, i === children.length - 1]));
  };
  for (const sw of switches) if (parentOf.get(sw.id) === null) place(sw, 0, [true]);
  for (const sw of switches) place(sw, 0, [true]);
  return out;
};

// A name on at most two lines, broken at a dash where it has one.
export const linesOf = (name, most = 12) => {
  if (name.length <= most) return [name];
  const dash = name.lastIndexOf('-', most - 1);
  const first = dash > 0 ? name.slice(0, dash + 1) : name.slice(0, most);
  const rest = name.slice(first.length);
  return [first, rest.length > most ? `${rest.slice(0, most - 1)}…` : rest];
};

export const headRows = (unit) => Math.max(1, Math.ceil(unit.heads.length / HEADS_IN_A_ROW));

export const headPlace = (unit, i) => {
  const row = Math.floor(i / HEADS_IN_A_ROW);
  const inRow = Math.min(HEADS_IN_A_ROW, unit.heads.length - row * HEADS_IN_A_ROW);
  return [((i % HEADS_IN_A_ROW) - (inRow - 1) / 2) * (HEAD + 2), row * (HEAD + 2)];
};

const DROP = 26,
  BODY = 34,
  NAMES = 44,
  NARROW = 560;

const hanging = (row, units) => {
  if (units.length > 0)
    return DROP + BODY + row.headsHeight + NAMES + 14 * (Math.max(...units.map((unit) => linesOf(unit.id).length)) - 1);
  if (row.slots.some((slot) => slot.stranger)) return DROP + BODY + 26;
  return row.slots.some((slot) => slot.label) ? DROP + BODY : 0;
};

// Ports cut into rows: [{y, height, slots: [{port, x, width, hangs}]}]. `hangs(port)` tells what hangs on a port: {units, label}.
const rowsOf = (ports, hangs, left, right, top) => {
  const rows = [];
  let x = Infinity;
  for (const port of ports) {
    const on = hangs(port);
    const width = on.units.length > 0 || on.stranger || on.label ? PITCH * Math.max(1, on.units.length) : FREE_PITCH;
    if (x + width > right) {
      rows.push({ slots: [] });
      x = left;
    }
    rows.at(-1).slots.push({ port, x: x + width / 2, width, ...on });
    x += width;
  }
  let y = top;
  for (const row of rows) {
    const units = row.slots.flatMap((slot) => slot.units);
    row.y = y;
    row.headsHeight = Math.max(1, ...units.map(headRows)) * (HEAD + 2);
    row.height = BAR + hanging(row, units) + 10;
    row.width = Math.max(...row.slots.map((slot) => slot.x + slot.width / 2)) - left;
    y += row.height;
  }
  return { rows, bottom: y };
};

// One switch: lanes, pipes, rows, height.
export const layoutOf = (node, width, hangs) => {
  const left = 8 + node.depth * LANE;
  const trunk = left + PIPE_WIDTH / 2;
  const uplinks = node.sw.uplinks.length;
  const narrow = width < NARROW;
  const spacing = narrow ? 84 : 48; // of what is said of one uplink
  const top = uplinks > 0 ? Math.max(PIPE + 26, 36 + uplinks * spacing + (narrow ? 4 : 0)) : 32;
  const units = left + (node.children > 0 ? LANE + 8 : 4);
  const { rows, bottom } = rowsOf(node.sw.ports, hangs, units, width - 6, top);
  return {
    left,
    trunk,
    top,
    narrow,
    spacing,
    units,
    rows,
    height: bottom + 6,
    text: left + Math.max(1, uplinks) * (PIPE_WIDTH + 12) + 2,
    drop: DROP,
    body: BODY,
  };
};
