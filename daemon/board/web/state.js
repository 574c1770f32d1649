// What the page knows, and how an event changes it. No document, no network. Entries are replaced, never changed in place, so
// that whoever draws can tell by identity what is new.

export const empty = () => ({
  site: null,
  cameras: new Map(), // of the design, by id
  roll: new Map(), // by camera
  strangers: new Map(), // by hardware address
  conflicts: new Map(), // findings of the arrivals
  watching: [],
  digest: null, // of the rounds: see round_reader.js
  running: new Map(), // rounds that run
  service: null,
  feed: 'joining', // "live", "lost"
  fault: null, // the record's newest fault
  taps: new Map(), // by interface
});

// What a batch of events changed: cameras by id, everything else by the part's name.
export const noChange = () => ({ cameras: new Set(), parts: new Set(), events: [] });

const conflictKey = (finding) => `${finding.id} ${finding.subject}`;

export const takeSite = (state, site, changed) => {
  state.site = site;
  state.cameras = new Map(site.cameras.map((camera) => [camera.id, camera]));
  changed.parts.add('site');
};

const sameEntry = (a, b) =>
  a &&
  a.presence === b.presence &&
  a.since === b.since &&
  a.seen_on === b.seen_on &&
  a.address === b.address &&
  a.reason === b.reason;

export const takeRoll = (state, roll, changed) => {
  const next = new Map();
  for (const entry of roll.cameras) {
    const known = state.roll.get(entry.camera);
    next.set(entry.camera, sameEntry(known, entry) ? known : entry);
    if (next.get(entry.camera) !== known) changed.cameras.add(entry.camera);
  }
  state.roll = next;
  state.strangers = new Map(roll.strangers.map((s) => [s.hardware_address, s]));
  state.conflicts = new Map((roll.findings ?? []).map((f) => [conflictKey(f), f]));
  state.watching = roll.watching ?? [];
  for (const part of ['strangers', 'findings', 'watching']) changed.parts.add(part);
};

export const takeService = (state, service, changed) => {
  state.service = service;
  const ids = service.rounds_running ?? (service.round_running === null ? [] : [service.round_running]);
  const next = new Map();
  for (const id of ids) next.set(id, state.running.get(id) ?? { round: id, done_s: 0, planned_s: 0, text: 'a round is running' });
  state.running = next;
  state.fault = service.record_fault ?? null;
  for (const part of ['running', 'service']) changed.parts.add(part);
};

const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

export const takeDigest = (state, digest, changed) => {
  const before = state.digest;
  for (const id of state.cameras.keys()) if (!before || !same(before.units[id], digest.units[id])) changed.cameras.add(id);
  state.digest = digest;
  for (const part of ['digest', 'findings', 'uplinks']) changed.parts.add(part);
};

const presence = (state, data, changed) => {
  const before = state.roll.get(data.camera) ?? {};
  state.roll.set(data.camera, { ...before, ...data, since: data.at });
  changed.cameras.add(data.camera);
};

const progress = (state, data) => state.running.set(data.round, { ...state.running.get(data.round), ...data });

const handlers = {
  presence,
  stranger: (state, data, changed) => changed.parts.add('strangers-asked'),
  finding: (state, data, changed) => {
    state.conflicts.set(conflictKey(data), data);
    changed.parts.add('findings');
  },
  finding_over: (state, data, changed) => {
    state.conflicts.delete(conflictKey(data));
    changed.parts.add('findings');
  },
  interface: (state, data, changed) => {
    state.watching = [...state.watching.filter((one) => one.interface !== data.interface), data];
    changed.parts.add('watching');
  },
  round_started: (state, data, changed) => {
    progress(state, { done_s: 0, text: data.plan, ...data });
    changed.parts.add('running');
  },
  round_planned: (state, data, changed) => {
    progress(state, { ...data, text: data.plan });
    changed.parts.add('running');
  },
  round_progress: (state, data, changed) => {
    progress(state, data);
    changed.parts.add('running');
  },
  round_ended: (state, data, changed) => {
    state.running.delete(data.round);
    for (const part of ['running', 'rounds']) changed.parts.add(part);
  },
  record_fault: (state, data, changed) => {
    state.fault = data;
    changed.parts.add('service');
  },
  tap: (state, data, changed) => {
    state.taps.set(data.interface, { ...state.taps.get(data.interface), ...data });
    changed.parts.add('taps');
  },
  tap_interface: (state, data, changed) => {
    state.taps.set(data.interface, { ...state.taps.get(data.interface), state: data.state, note: data.note });
    changed.parts.add('taps');
  },
};

// Whoever shows one unit, the bench or the witness points looks at `events` itself.
export const apply = (state, name, data, changed) => {
  handlers[name]?.(state, data, changed);
  if (name !== 'round_progress' && name !== 'presence') changed.events.push([name, data]);
};
