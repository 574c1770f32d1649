// Elements, lists that keep their nodes, and tables: only what changed is written.

const SVG = 'http://www.w3.org/2000/svg';

const filled = (out, attributes, children) => {
  for (const [name, given] of Object.entries(attributes)) {
    if (given === null || given === undefined || given === false) continue;
    if (typeof given === 'function') out.addEventListener(name, given);
    else out.setAttribute(name, given === true ? '' : given);
  }
  for (const child of children.flat()) if (child !== null && child !== undefined) out.append(child);
  return out;
};

// An attribute that is a function listens to the event of its name; null and false leave the attribute out.
export const el = (name, attributes = {}, ...children) => filled(document.createElement(name), attributes, children);
export const svg = (name, attributes = {}, ...children) => filled(document.createElementNS(SVG, name), attributes, children);

export const setText = (node, words) => {
  if (node.textContent !== words) node.textContent = words;
};

export const setAttribute = (node, name, given) => {
  const text = String(given);
  if (node.getAttribute(name) !== text) node.setAttribute(name, text);
};

// Brings the children of `place` to one node for each item: nodes are kept by key, made once, and changed only when their
// item is another object than before. `place` must hold nothing else.
export const keyed = (place, items, keyOf, make, change) => {
  const known = place.nodesByKey ?? new Map();
  const next = new Map();
  for (const item of items) {
    const key = keyOf(item);
    const node = known.get(key);
    if (node && node.item !== item) change(node, item);
    const kept = node ?? make(item);
    kept.item = item;
    next.set(key, kept);
  }
  for (const [key, node] of known) if (!next.has(key)) node.remove();
  let at = place.firstChild;
  for (const node of next.values()) {
    if (node === at) at = at.nextSibling;
    else place.insertBefore(node, at);
  }
  place.nodesByKey = next;
};

const cellOf = ([head], words, first) => {
  const out = el(first ? 'th' : 'td', first ? { scope: 'row' } : { 'data-head': head });
  if (words !== null && words !== undefined && words !== '') out.append(...[words].flat());
  return out;
};

// A table with a caption; columns are [head, (item) => words, node or list of them, (item) => word]. The first column names the
// row. The last function, where it is given, tells what a cell of nodes stands for, so that it need not be made to be compared.
export const makeTable = (caption, columns, keyOf) => {
  const body = el('tbody');
  const title = el('caption', {}, caption);
  const node = el(
    'table',
    {},
    title,
    el(
      'thead',
      {},
      el(
        'tr',
        {},
        columns.map(([head]) => el('th', { scope: 'col' }, head)),
      ),
    ),
    body,
  );
  const signOf = ([, content, sign], item) => (sign ? sign(item) : content(item));
  const make = (item) => {
    const row = el(
      'tr',
      {},
      columns.map((column, i) => cellOf(column, column[1](item), i === 0)),
    );
    row.signs = columns.map((column) => signOf(column, item));
    return row;
  };
  // A cell that shows the same stays, and with it a screen reader's place in the table.
  const change = (row, item) => {
    columns.forEach((column, i) => {
      const sign = signOf(column, item);
      if (typeof sign === 'string' && sign === row.signs[i]) return;
      row.signs[i] = sign;
      row.children[i].replaceWith(cellOf(column, column[1](item), i === 0));
    });
  };
  return { node, caption: (words) => setText(title, words), set: (items) => keyed(body, items, keyOf, make, change), rows: body };
};

export const section = (id, title, ...children) =>
  el('section', { 'aria-labelledby': `${id}-title`, id }, el('h3', { id: `${id}-title` }, title), ...children);

export const facts = (pairs) =>
  el(
    'dl',
    { class: 'facts' },
    pairs
      .filter(([, words]) => words !== null && words !== undefined && words !== '')
      .map(([name, words]) => el('div', {}, el('dt', {}, name), el('dd', {}, words))),
  );

export const plain = (words, kind = '') => el('p', { class: kind || null }, words);
