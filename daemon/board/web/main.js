// Joins the feed, what is known and the views. Every change comes by the feed; nothing is asked again and again.

import { el, setAttribute, setText } from './dom.js';
import { follow, get, setToken } from './feed.js';
import { digestOfRounds } from './rounds_asked.js';
import { apply, empty, noChange, takeDigest, takeRoll, takeService, takeSite } from './state.js';
import { makeTeller } from './teller.js';
import * as bench from './view_bench.js';
import * as headroom from './view_headroom.js';
import * as rounds from './view_rounds.js';
import * as site from './view_site.js';
import * as unit from './view_unit.js';
import * as volumes from './view_volumes.js';
import * as witness from './view_witness.js';

const at = (id) => document.getElementById(id);
const views = { '': site, unit, rounds, headroom, volumes, witness, bench };
const state = empty();
const teller = makeTeller(at('said'));
let changed = noChange(),
  waiting = false,
  shown = null,
  loading = null;

const say = (words) => {
  const box = at('fault');
  setText(box, words);
  box.hidden = words === '';
};

// --- what is shown ---------------------------------------------------------------------------------

const route = () => {
  const [, name = '', ...rest] = location.hash.split('/').map((part) => {
    try {
      return decodeURIComponent(part);
    } catch {
      return part;
    }
  });
  return views[name] ? { name, rest } : { name: '', rest: [] };
};

const show = (focus) => {
  const { name, rest } = route();
  shown?.close?.();
  const place = el('div', { class: 'view' });
  const heading = el('h2', { tabindex: -1, id: 'view-title' }, views[name].title(rest, state));
  at('main').replaceChildren(heading, place);
  for (const link of document.querySelectorAll('nav a')) {
    if (link.dataset.view === name) link.setAttribute('aria-current', 'page');
    else link.removeAttribute('aria-current');
  }
  say('');
  setTitle();
  shown = views[name].open(place, { state, say, rest, heading });
  if (focus) heading.focus({ preventScroll: true });
  if (focus) scrollTo(0, 0);
};

const setTitle = () => {
  const { name, rest } = route();
  document.title = [views[name].title(rest, state), state.site?.site.name, 'Tallywire'].filter(Boolean).join(' · ');
};

const feedWords = {
  joining: 'Asking the service …',
  live: 'Live.',
  lost: 'The service does not answer. What is shown may be old.',
};

const faultInWords = (fault) => {
  const what = typeof fault === 'string' ? fault : [fault.what, fault.where].filter(Boolean).join(', ');
  return `The record: ${what}.${fault.try_next ? ` Try: ${fault.try_next}.` : ''}`;
};

const drawHeader = () => {
  if (state.site) setText(at('site'), state.site.site.name);
  const quiet = state.watching
    .filter((one) => one.state !== 'listening')
    .map((one) => `${one.interface}: ${one.state}${one.note ? `, ${one.note}` : ''}`);
  const listens = state.watching.filter((one) => one.state === 'listening').map((one) => one.called_now || one.interface);
  const words = state.feed === 'live' && listens.length > 0 ? `Live, listening on ${listens.join(', ')}.` : feedWords[state.feed];
  setText(at('service'), [words, ...quiet.map((one) => `${one}.`)].join(' '));
  setAttribute(document.body, 'data-feed', state.feed);
  const fault = state.fault;
  at('record-fault').hidden = !fault;
  setText(at('record-fault'), fault ? faultInWords(fault) : '');
};

// Many events in one moment are drawn once.
const draw = () => {
  waiting = false;
  const batch = changed;
  changed = noChange();
  if (['site', 'service', 'watching', 'feed'].some((part) => batch.parts.has(part))) drawHeader();
  if (batch.parts.has('site')) show(false);
  else shown?.change?.(batch);
  if (batch.parts.has('strangers-asked')) askRoll();
  if (batch.parts.has('rounds')) askDigest();
};

const schedule = () => {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(draw);
};

// --- what is asked ---------------------------------------------------------------------------------

const fail = (fault) => {
  if (fault.status === 401) askToken();
  else if (fault.status !== 0) say(fault.message);
};

const askDigest = async () => {
  try {
    takeDigest(state, await digestOfRounds(), changed);
    schedule();
  } catch (fault) {
    fail(fault);
  }
};

// A stranger's event does not tell whether the roll counts it as one: the roll does.
let rollAsked = false;
const askRoll = () => {
  if (rollAsked) return;
  rollAsked = true;
  setTimeout(async () => {
    rollAsked = false;
    try {
      takeRoll(state, await get('/api/roll'), changed);
      schedule();
    } catch (fault) {
      fail(fault);
    }
  }, 500);
};

// Everything anew: at the start, and each time that the feed is back. Events that come meanwhile wait, and are then applied in
// their order; they tell states, not differences, so that one told twice does no harm.
const load = async () => {
  const early = [];
  loading = early;
  try {
    const [design, roll, service] = await Promise.all([get('/api/site'), get('/api/roll'), get('/api/service')]);
    if (loading !== early) return;
    if (!state.site || state.service?.design_sha256 !== service.design_sha256) takeSite(state, design, changed);
    takeRoll(state, roll, changed);
    takeService(state, service, changed);
    changed.parts.add('reloaded');
    say('');
  } catch (fault) {
    fail(fault);
  }
  if (loading !== early) return;
  loading = null;
  for (const [name, data] of early) apply(state, name, data, changed);
  schedule();
  askDigest();
};

const onEvent = (name, data) => {
  if (loading) {
    loading.push([name, data]);
    return;
  }
  apply(state, name, data, changed);
  teller.hear(name, data);
  schedule();
};

const onFeed = (feed, status) => {
  if (status === 401) askToken();
  if (feed !== state.feed && state.feed !== 'joining')
    teller.tell(feed === 'live' ? 'The service is there again.' : feedWords.lost);
  state.feed = feed;
  changed.parts.add('feed');
  schedule();
  if (feed === 'live') load();
};

const askToken = () => {
  const form = at('token-form');
  form.hidden = false;
  form.onsubmit = (event) => {
    event.preventDefault();
    setToken(at('token').value);
    at('token').value = '';
    form.hidden = true;
    document.dispatchEvent(new Event('visibilitychange')); // the feed tries again at once
  };
};

at('skip').addEventListener('click', (event) => {
  event.preventDefault();
  at('view-title').focus();
});
addEventListener('hashchange', () => show(true));
show(false);
follow(onEvent, onFeed);
