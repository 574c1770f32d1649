// A unit's streams: figures, bit rate over the rounds, the distribution of its windows.

import { el } from './dom.js';
import { getIfThere, parameter } from './feed.js';
import { course, distribution, windowsOf } from './plot.js';
import { mark } from './shapes.js';
import { bitRate, readingInWords, subject } from './words.js';

const NIGHTS = 180;
const shown = [
  ['payload_bps', 'bit rate'],
  ['wire_bps', 'on the wire'],
  ['peak_bps_100ms', 'most in 100 ms'],
  ['frame_rate_hz', 'frame rate'],
  ['gop_frames', 'key frame every'],
  ['jitter_ms', 'jitter'],
  ['loss_ratio', 'loss'],
  ['keyframe_bytes_max', 'largest key frame'],
  ['codec', 'codec'],
];

const figures = (readings, verdicts) =>
  el(
    'dl',
    { class: 'facts' },
    shown.flatMap(([quantity, name]) => {
      const reading = readings.find((r) => r.quantity === quantity);
      const verdict = verdicts.find((v) => v.quantity === quantity);
      if (!reading && !verdict) return [];
      const told = reading ?? verdict.reading;
      const words =
        told.value === null ? `unread: ${told.unread || verdict?.reason || 'no reason told'}` : readingInWords(quantity, told);
      return [el('div', {}, el('dt', {}, name), el('dd', {}, words, verdict ? [' ', mark(verdict.verdict)] : null))];
    }),
  );

const history = async (path, limit) => {
  const told = await getIfThere(`/api/history?subject=${parameter(path)}&quantity=payload_bps&nights=${NIGHTS}`);
  if (told === null) return el('p', { class: 'faint' }, 'This service does not tell the rates of earlier rounds.');
  return course('Bit rate over the rounds', told.points, bitRate, limit);
};

const windows = (readings) => {
  const told = readings.find((r) => r.quantity === 'wire_windows_100ms');
  if (!told) return null;
  if (told.value === null)
    return el('p', { class: 'faint' }, `How its load is spread over windows of 100 ms is unread: ${told.unread}.`);
  const list = windowsOf(told.value);
  return list.length > 0 ? distribution('How often more is sent in 100 ms', list, bitRate) : null;
};

// `readings` and `verdicts` at or below the unit.
export const streamParts = (unit, readings, verdicts) =>
  unit.heads.flatMap((head) =>
    head.streams.map((stream) => {
      const path = `camera/${unit.id}/head/${head.id}/stream/${stream.id}`;
      const own = (list) => list.filter((one) => one.subject === path);
      const target = own(verdicts).find((v) => v.quantity === 'payload_bps')?.target;
      const course = el('div', { class: 'figure' }, el('p', { class: 'faint' }, 'Asking for earlier rounds …'));
      history(path, target).then(
        (node) => course.replaceChildren(node),
        (fault) => course.replaceChildren(el('p', { class: 'faint' }, fault.message)),
      );
      const rate = `${bitRate(stream.bit_rate_kbps * 1000)} ${stream.rate_mode ?? ''}`;
      const promised = `${stream.codec}, ${stream.width_px} × ${stream.height_px} pixels, ${stream.frame_rate_hz} frames/s, ${rate}`;
      return el(
        'article',
        { class: 'stream' },
        el('h4', {}, subject(path).replace(`${unit.id}, `, ''), head.view ? el('span', { class: 'faint' }, ` ${head.view}`) : null),
        el('p', { class: 'faint' }, `By design: ${promised.trim()}.`),
        figures(own(readings), own(verdicts)),
        el('div', { class: 'figures' }, course, el('div', { class: 'figure' }, windows(own(readings)))),
      );
    }),
  );
