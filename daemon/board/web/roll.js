// The roll and the uplinks, as tables.

import { bitRate, clock, mark, subject } from './words.js';

export const row = (kind, cells) => {
  const out = document.createElement('tr');
  for (const [i, content] of cells.entries()) {
    const cell = document.createElement(kind === 'th' || i === 0 ? 'th' : 'td');
    cell.setAttribute('scope', kind === 'th' ? 'col' : 'row');
    if (cell.tagName === 'TD') cell.removeAttribute('scope');
    cell.append(content ?? '');
    out.append(cell);
  }
  return out;
};

export const table = (place, caption, head, rows) => {
  const title = document.createElement('caption');
  title.textContent = caption;
  const top = document.createElement('thead');
  top.append(row('th', head));
  const body = document.createElement('tbody');
  body.append(...rows.map((cells) => row('td', cells)));
  place.replaceChildren(title, top, body);
};

export const drawRoll = (place, state) => {
  const places = new Map((state.site?.cameras ?? []).map((c) => [c.id, c.place]));
  const rows = state.roll.cameras.map((c) => [c.camera, mark(c.presence), places.get(c.camera), c.seen_on, c.address, clock(c.since), c.reason]);
  for (const s of state.roll.strangers)
    rows.push([s.hardware_address, mark('stranger'), 'not in the design', s.seen_on, s.address, clock(s.first_seen), '']);
  table(place, 'Every camera of the design, and strangers', ['camera', 'presence', 'place', 'seen on port', 'address', 'since', 'why'], rows);
};

export const drawHeadroom = (place, state) => {
  const rows = (state.round?.headroom ?? []).map((r) => [
    subject(r.uplink), bitRate(r.designed_bps), r.measured_bps === null ? 'unread' : bitRate(r.measured_bps),
    r.busiest_bps === null ? 'unread' : bitRate(r.busiest_bps), bitRate(r.ceiling_bps), bitRate(r.speed_bps),
    r.unread ?? `risk of more: ${r.busiest_risk_ratio}`]);
  table(place, 'Load against the ceiling', ['uplink', 'designed', 'measured', 'busiest instant', 'ceiling', 'speed', 'note'], rows);
};
