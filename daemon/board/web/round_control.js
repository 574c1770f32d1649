// Runs a round, shows how far those are that run, ends them.

import { el, keyed, setText } from './dom.js';
import { send } from './feed.js';
import { duration, sentence } from './words.js';

const share = (run) => (run.planned_s > 0 ? Math.min(1, (run.done_s ?? 0) / run.planned_s) : 0);

const left = (run) => {
  const seconds = Math.max(0, run.planned_s - (run.done_s ?? 0));
  if (run.planned_s <= 0) return '';
  return seconds > 1 ? `about ${duration(Math.round(seconds))} left` : 'nearly done';
};

// A service that does not end a round by its number ends the one that runs.
const end = async (round, say) => {
  try {
    await send('DELETE', `/api/rounds/${round}`).catch((fault) => {
      if (fault.status !== 404) throw fault;
      return send('DELETE', '/api/rounds/current');
    });
  } catch (fault) {
    say(fault.message);
  }
};

const makeRun = (run, say) => {
  const bar = el('progress', { max: 1, value: share(run), 'aria-label': `round ${run.round}` });
  const words = el('span', { class: 'progress-words' });
  const stop = el('button', { type: 'button', class: 'end', click: () => end(run.round, say) }, `End round ${run.round}`);
  const node = el('li', {}, stop, bar, words);
  Object.assign(node, { bar, words });
  return changeRun(node, run);
};

const changeRun = (node, run) => {
  node.bar.value = share(run);
  setText(node.words, [run.text, left(run)].filter(Boolean).join('; '));
  return node;
};

const startWords = (newest, next) => [
  newest
    ? sentence(`Newest: ${newest.kind === 'round' ? '' : `${newest.kind}, `}round ${newest.round}; ${newest.plan || newest.state}`)
    : 'No round has run yet.',
  next ? `The next night round is due ${whenOf(next)}.` : '',
];

// `cameras`: only these are proven, by a round of kind "prove"; none: the whole site.
export const makeRoundControl = (state, say, cameras = []) => {
  const whole = cameras.length === 0;
  const start = el(
    'button',
    {
      type: 'button',
      class: 'main',
      id: 'start',
      click: () =>
        send('POST', '/api/rounds', whole ? { kind: 'round', cameras } : { kind: 'prove', cameras }).catch((fault) =>
          say(fault.message),
        ),
    },
    whole ? 'Run a round' : 'Prove it now',
  );
  const runs = el('ul', { class: 'runs' });
  const plan = el('p', { class: 'faint' });
  const draw = () => {
    const running = [...state.running.values()];
    keyed(
      runs,
      running,
      (run) => run.round,
      (run) => makeRun(run, say),
      changeRun,
    );
    runs.hidden = running.length === 0;
    start.disabled = whole && running.some((run) => run.kind !== 'prove');
    plan.hidden = running.length > 0 || !whole;
    setText(plan, startWords(state.digest?.rounds.at(-1), state.service?.next_night).filter(Boolean).join(' '));
  };
  return { node: el('div', { class: 'control' }, start, runs, plan), draw };
};

// "HH:MM", or a time of RFC 3339.
const whenOf = (words) => {
  const at = new Date(words);
  return /^\d\d:\d\d$/.test(words) || Number.isNaN(at.getTime())
    ? `at ${words}`
    : `on ${at.toLocaleString(undefined, { dateStyle: 'medium', timeStyle: 'short' })}`;
};
