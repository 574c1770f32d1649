// One unit: where it hangs, what it draws, each target, its streams, its nights, its witness points. Also a stranger, by its
// hardware address: then what was heard of it.

import { el, plain, section } from './dom.js';
import { get, getIfThere, parameter } from './feed.js';
import { makeRoundControl } from './round_control.js';
import { verdictsOf } from './rounds_asked.js';
import { mark } from './shapes.js';
import { allFindings, showFindings } from './site_lists.js';
import { heardTable, placeFacts, powerFacts, toldTable } from './unit_facts.js';
import { nightsOf } from './unit_nights.js';
import { streamParts } from './unit_streams.js';
import { makeTargets } from './unit_targets.js';
import { makePoints } from './witness_points.js';
import { sentence } from './words.js';

export const title = ([id = '']) => id;

const below = (path, unitPath) => path === unitPath || path.startsWith(`${unitPath}/`);

// null: this service does not tell a round's readings.
const readingsOf = async (round, path) => {
  if (round === null) return [];
  return (await getIfThere(`/api/rounds/${round}/readings?subject=${parameter(path)}`))?.readings ?? null;
};

const openStranger = async (box, id, say) => {
  try {
    const { units } = await get('/api/units');
    const heard = units.find((unit) => unit.hardware_addresses.includes(id));
    box.append(
      ...(heard
        ? [el('p', {}, mark('stranger'), ' Not in the design. Find out whose it is.'), ...heardTable(heard)]
        : [plain('Neither the design nor the wire knows it.')]),
    );
  } catch (fault) {
    say(fault.message);
  }
};

const makeFindings = (state, path) => {
  const list = el('ol', { class: 'findings' }),
    none = plain('None.', 'faint');
  const draw = () => {
    const own = allFindings(state).filter((finding) => below(finding.subject, path));
    showFindings(list, own, false);
    none.hidden = own.length > 0;
    list.hidden = own.length === 0;
  };
  return { nodes: [none, list], draw };
};

// What the newest round that proved the unit says of it: drawn into `boxes` when that round is another than before.
const makeProof = (unit, path, boxes, targets, say) => {
  const proof = { round: undefined, readings: [], verdicts: [], told: () => {} };
  const words = (read) =>
    read === null ? ' This service does not tell a round’s readings: only what a target asks for is shown.' : '';
  proof.load = async () => {
    try {
      const told = await verdictsOf(path);
      if (told.round === proof.round) return;
      const read = await readingsOf(told.round, path);
      proof.round = told.round;
      proof.verdicts = told.verdicts;
      proof.readings = read ?? told.verdicts.map((v) => ({ ...v.reading, subject: v.subject, quantity: v.quantity }));
      targets.set(proof.verdicts);
      targets.from.textContent = told.round === null ? 'No round has proven it yet.' : `By round ${told.round}.${words(read)}`;
      proof.told();
      boxes.streams.replaceChildren(...streamParts(unit, proof.readings, proof.verdicts));
      boxes.told.replaceChildren(toldTable(proof.readings));
      boxes.nights.replaceChildren(await nightsOf(unit.id));
    } catch (fault) {
      say(sentence(fault.message));
    }
  };
  // Verdicts of a round that runs take the place of the older ones, one by one.
  proof.hear = (events) => {
    const fresh = events.filter(([name, data]) => name === 'verdict' && below(data.subject, path)).map(([, data]) => data);
    if (fresh.length === 0) return;
    const key = (v) => `${v.subject} ${v.quantity}`;
    const newer = new Map(fresh.map((v) => [key(v), v]));
    proof.verdicts = [
      ...proof.verdicts.map((v) => newer.get(key(v)) ?? v),
      ...fresh.filter((v) => !proof.verdicts.some((one) => key(one) === key(v))),
    ];
    targets.set(proof.verdicts);
  };
  return proof;
};

const loadHeard = async (box, id, say) => {
  try {
    const heard = (await get('/api/units')).units.find((one) => one.camera === id);
    box.replaceChildren(...(heard ? heardTable(heard) : [plain('Nothing was heard of it.', 'faint')]));
  } catch (fault) {
    say(fault.message);
  }
};

const layOut = (box, boxes, control, findings, targets, points) =>
  box.append(
    control.node,
    boxes.place,
    section('hands', 'Needs a hand', findings.nodes),
    section('targets', 'Targets', targets.nodes),
    section('power', 'Power', boxes.power),
    section('streams', 'Streams', boxes.streams),
    section('nights', 'Nights', boxes.nights),
    section('points', 'Witness points', points.node),
    section('told', 'What it tells of itself', boxes.told),
    section('heard', 'Heard of it', boxes.heard),
  );

export const open = (box, { state, say, rest: [id = ''] }) => {
  const unit = state.cameras.get(id),
    path = `camera/${id}`;
  if (!unit) {
    if (state.site) openStranger(box, id, say);
    return {};
  }
  const boxes = Object.fromEntries(['place', 'power', 'told', 'streams', 'nights', 'heard'].map((name) => [name, el('div')]));
  const control = makeRoundControl(state, say, [id]),
    targets = makeTargets(),
    findings = makeFindings(state, path);
  const points = makePoints(state, say, (subject) => below(subject, path), path);
  const proof = makeProof(unit, path, boxes, targets, say);
  proof.told = () => {
    boxes.place.replaceChildren(placeFacts(unit, state.roll.get(id), proof.readings));
    boxes.power.replaceChildren(powerFacts(unit, proof.readings));
  };
  layOut(box, boxes, control, findings, targets, points);
  const has = (changed, ...parts) => parts.some((part) => changed.parts.has(part));
  const change = (changed) => {
    if (has(changed, 'running', 'digest', 'service')) control.draw();
    if (has(changed, 'findings', 'digest')) findings.draw();
    if (changed.cameras.has(id)) proof.told();
    if (has(changed, 'digest')) proof.load();
    proof.hear(changed.events);
    points.change(changed);
    if (changed.cameras.has(id) || has(changed, 'reloaded')) loadHeard(boxes.heard, id, say);
  };
  control.draw();
  findings.draw();
  proof.told();
  proof.load();
  points.load();
  loadHeard(boxes.heard, id, say);
  return { change };
};
