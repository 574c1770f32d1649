// What the page knows, and how an event changes it. No document, no network.

export const empty = () => ({ site: null, roll: { cameras: [], strangers: [] }, round: null, running: null, alive: false, fault: '' });

const replaced = (list, key, item) => {
  const at = list.findIndex((one) => one[key] === item[key]);
  if (at < 0) return [...list, item];
  return list.map((one, i) => (i === at ? { ...one, ...item } : one));
};

export const apply = (state, name, data) => {
  switch (name) {
    case 'presence':
      return { ...state, roll: { ...state.roll, cameras: replaced(state.roll.cameras, 'camera', { ...data, since: data.at }) } };
    case 'stranger':
      return { ...state, roll: { ...state.roll, strangers: replaced(state.roll.strangers, 'hardware_address', { ...data, first_seen: data.at }) } };
    case 'round_started':
      return { ...state, running: { round: data.round, done_s: 0, planned_s: data.planned_s, text: data.plan } };
    case 'round_progress':
      return { ...state, running: data };
    case 'round_ended':
      return { ...state, running: null };
    case 'record_fault':
      return { ...state, fault: data.what };
    default:
      return state;
  }
};

// The worst that a round says of everything at or below a subject.
export const worst = (round, path) => {
  const order = ['missed', 'tight', 'unread', 'met'];
  let found = null;
  for (const v of round?.verdicts ?? []) {
    if (v.subject !== path && !v.subject.startsWith(`${path}/`)) continue;
    if (found === null || order.indexOf(v.verdict) < order.indexOf(found)) found = v.verdict;
  }
  return found;
};
