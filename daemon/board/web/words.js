// Figures and names as a person reads them. Units are written out.

const scaled = (value, units) => {
  let step = 0;
  while (Math.abs(value) >= 999.95 && step + 1 < units.length) {
    value /= 1000;
    step += 1;
  }
  return `${Number(value.toPrecision(4))} ${units[step]}`;
};

export const bitRate = (bps) => scaled(bps, ['bit/s', 'kbit/s', 'Mbit/s', 'Gbit/s']);
export const byteRate = (rate) => scaled(rate, ['B/s', 'kB/s', 'MB/s', 'GB/s']);
export const bytes = (count) => scaled(count, ['B', 'kB', 'MB', 'GB', 'TB']);

export const duration = (seconds) => {
  const sign = seconds < 0 ? '−' : '';
  const size = Math.abs(seconds);
  if (size < 60) return `${sign}${Number(size.toPrecision(3))} s`;
  const whole = Math.round(size);
  if (whole < 3600) return `${sign}${Math.floor(whole / 60)} min ${whole % 60} s`;
  return `${sign}${Math.floor(whole / 3600)} h ${Math.floor(whole / 60) % 60} min`;
};

// By what the quantity's name ends in; the longer endings first.
const endings = [
  ['_bytes_per_s', byteRate], ['_bps_100ms', bitRate], ['_bps', bitRate], ['_bytes', bytes],
  ['frame_rate_hz', (v) => `${Number(v.toPrecision(4))} frames/s`],
  ['_ratio', (v) => `${Number((v * 100).toPrecision(3))} %`],
  ['_ms', (v) => `${Number(v.toPrecision(3))} ms`], ['_s', duration],
  ['_px', (v) => `${v} pixels`], ['_days', (v) => `${Number(v.toPrecision(3))} days`],
  ['_frames', (v) => `${Number(v.toPrecision(4))} frames`], ['_packets', (v) => `${v} packets`],
];

export const value = (quantity, v) => {
  if (v === null || v === undefined) return 'unread';
  if (typeof v !== 'number') return String(v);
  const known = endings.find(([ending]) => quantity.endsWith(ending));
  return known ? known[1](v) : String(Number(v.toPrecision(6)));
};

export const quantity = (name) => name
  .replace(/_bps_100ms$/, ' in 100 ms')
  .replace(/(_bytes_per_s|_bps|_bytes|_hz|_ratio|_ms|_px|_w|_days|_s)$/, '')
  .replaceAll('_', ' ');

// "gate-north, head 1, stream main" of "camera/gate-north/head/1/stream/main".
export const subject = (path) => {
  const parts = path.split('/');
  const words = parts[0] === 'camera' ? [parts[1]] : [`${parts[0]} ${parts[1] ?? ''}`];
  for (let i = 2; i < parts.length; i += 2) words.push(`${parts[i]} ${parts[i + 1] ?? ''}`);
  return words.join(', ');
};

export const clock = (text) => {
  const at = new Date(text);
  return Number.isNaN(at.getTime()) ? '' : at.toLocaleString([], { dateStyle: 'short', timeStyle: 'medium' });
};

// A shape for each state, so that colour is never needed: drawn in SVG and as a character in text.
export const shapes = {
  met: '●', tight: '◐', missed: '✕', unread: '○',
  awaited: '○', arrived: '◇', proven: '●', wanting: '✕', lost: '▽', stranger: '?',
};

export const mark = (state) => {
  const out = document.createElement('span');
  out.className = `mark ${state}`;
  const shape = document.createElement('span');
  shape.setAttribute('aria-hidden', 'true');
  shape.textContent = `${shapes[state] ?? '○'} `;
  out.append(shape, state);
  return out;
};
