// Joins feed, model and drawings. Every change comes by the feed; nothing is asked again and again.

import { follow, get, send } from './feed.js';
import { apply, empty } from './model.js';
import { draw, key } from './riser.js';
import { drawHeadroom, drawRoll } from './roll.js';
import { drawFindings, drawVerdicts } from './verdicts.js';
import { duration } from './words.js';

const at = (id) => document.getElementById(id);
let state = empty();
let waiting = false;

const drawAll = () => {
  waiting = false;
  draw(at('riser'), state);
  drawFindings(at('findings'), state);
  drawHeadroom(at('headroom'), state);
  drawRoll(at('roll'), state);
  drawVerdicts(at('verdicts'), at('counts'), state);
};

const drawControl = () => {
  const { running } = state;
  at('service').textContent = state.fault || (state.alive ? 'The service is listening.' : 'The service does not answer; what is shown may be old.');
  at('start').hidden = running !== null;
  at('cancel').hidden = running === null;
  at('progress').hidden = running === null;
  if (running) {
    const left = Math.max(0, running.planned_s - (running.done_s ?? 0));
    at('progress').value = running.planned_s > 0 ? Math.min(1, (running.done_s ?? 0) / running.planned_s) : 0;
    at('progress-text').textContent = `${running.text}; ${left > 1 ? `about ${duration(Math.round(left))} left` : 'nearly done'}`;
  } else {
    at('progress-text').textContent = '';
  }
};

// Many events in one moment are drawn once.
const redraw = () => {
  drawControl();
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(drawAll);
};

const loadRound = async () => {
  state = { ...state, round: await get('/api/rounds/latest').catch(() => null) };
};

const load = async () => {
  const [site, roll, service] = await Promise.all([get('/api/site'), get('/api/roll'), get('/api/service')]);
  state = { ...state, site, roll, alive: true };
  if (service.round_running !== null) state.running = { round: service.round_running, done_s: 0, planned_s: 0, text: 'a round is running' };
  at('site').textContent = site.site.name;
  document.title = `${site.site.name} · Tallywire`;
  await loadRound();
  redraw();
};

const say = (error) => {
  state = { ...state, fault: error.message };
  redraw();
};

at('start').addEventListener('click', () => send('POST', '/api/rounds', { kind: 'round' }).catch(say));
at('cancel').addEventListener('click', () => send('DELETE', '/api/rounds/current').catch(say));

addEventListener('resize', redraw);

key(at('key'));
follow(async (name, data) => {
  if (name === 'reading' || name === 'verdict') return;
  state = apply(state, name, data);
  if (name === 'round_ended') {
    await loadRound();
    state = { ...state, roll: await get('/api/roll') };
  }
  if (name === 'round_progress') drawControl();
  else redraw();
}, (alive) => {
  state = { ...state, alive };
  if (alive) load().catch(say);
  else redraw();
});
load().catch(say);
