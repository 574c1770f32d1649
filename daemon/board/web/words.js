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
  const [large, small, names] =
    whole < 3600
      ? [Math.floor(whole / 60), whole % 60, ['min', 's']]
      : [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, ['h', 'min']];
  return `${sign}${large} ${names[0]}${small > 0 ? ` ${small} ${names[1]}` : ''}`;
};

// By what the quantity's name ends in; the longer endings first.
const endings = [
  ['_bytes_per_s', byteRate],
  ['_bps_100ms', bitRate],
  ['_bps', bitRate],
  ['_bytes', bytes],
  ['_bytes_max', bytes],
  ['_bytes_mean', bytes],
  ['frame_rate_hz', (v) => `${Number(v.toPrecision(4))} frames/s`],
  ['_ratio', (v) => `${Number((v * 100).toPrecision(3))} %`],
  ['_ms', (v) => `${Number(v.toPrecision(3))} ms`],
  ['_s', duration],
  ['_px', (v) => `${v} pixels`],
  ['_w', (v) => `${Number(v.toPrecision(4))} W`],
  ['_days', (v) => `${Number(v.toPrecision(3))} days`],
  ['_frames', (v) => `${Number(v.toPrecision(4))} frames`],
  ['_packets', (v) => `${v} packets`],
];

export const value = (quantity, v) => {
  if (v === null || v === undefined) return 'unread';
  if (typeof v !== 'number') return String(v);
  const known = endings.find(([ending]) => quantity.endsWith(ending));
  return known ? known[1](v) : String(Number(v.toPrecision(6)));
};

export const quantity = (name) =>
  name
    .replace(/_bps_100ms$/, ' in 100 ms')
    .replace(/(_bytes_per_s|_bps|_bytes|_hz|_ratio|_ms|_px|_w|_days|_s)$/, '')
    .replaceAll('_', ' ');

// "gate-north, head 1, stream main" of "camera/gate-north/head/1/stream/main".
export const subject = (path) => {
  const parts = path.split('/');
  const words = parts[0] === 'camera' ? [parts[1]] : [`${parts[0]} ${parts[1] ?? ''}`];
  for (let i = 2; i < parts.length; i += 2) words.push(`${parts[i]} ${parts[i + 1] ?? ''}`);
  return words.map((one) => one.trim()).join(', ');
};

// Made once: a formatter costs more than what it writes.
const dateAndTime = new Intl.DateTimeFormat(undefined, { dateStyle: 'medium', timeStyle: 'short' });
const timeOfDay = new Intl.DateTimeFormat(undefined, { timeStyle: 'medium' });
const dayOnly = new Intl.DateTimeFormat(undefined, { dateStyle: 'medium' });

const told = (format, text) => {
  const at = new Date(text ?? NaN);
  return Number.isNaN(at.getTime()) ? '' : format.format(at);
};

export const clock = (text) => told(dateAndTime, text);
export const time = (text) => told(timeOfDay, text);
export const day = (text) => told(dayOnly, text);

export const counted = (count, one, many = `${one}s`) => `${count} ${count === 1 ? one : many}`;

export const percent = (ratio) => `${Number((ratio * 100).toPrecision(3))} %`;

// "7 met, 1 missed": what is zero is left out, but for a round that says nothing.
export const countsInWords = (counts) => {
  const parts = ['missed', 'unread', 'tight', 'met'].filter((name) => counts?.[name] > 0).map((name) => `${counts[name]} ${name}`);
  return parts.length > 0 ? parts.join(', ') : 'no verdicts';
};

export const sentence = (words) => (words === '' || /[.!?…]$/.test(words) ? words : `${words}.`);

export const readingInWords = (quantityName, reading) => {
  if (!reading || reading.value === null || reading.value === undefined) return 'unread';
  const spread = reading.uncertainty > 0 ? ` ± ${value(quantityName, reading.uncertainty)}` : '';
  return value(quantityName, reading.value) + spread;
};
