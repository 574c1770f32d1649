// A worker. A whole site's round is some ten megabytes of verdicts: it is read here, off the thread that draws, and told as a digest.
// The digest is the newest whole complete round, and over it the newer proofs of single units.

let token = '';
const documents = new Map(); // by round, as long as the digest stands on them
let standing = []; // rounds, the oldest first

const get = async (path) => {
  const answer = await fetch(path, { cache: 'no-store', headers: token ? { Authorization: `Bearer ${token}` } : {} });
  if (!answer.ok) throw new Error(`${path}: the service answers ${answer.status}`);
  return answer.json();
};

const order = ['missed', 'tight', 'unread', 'met'];
const worse = (a, b) => (a === undefined || order.indexOf(b) < order.indexOf(a) ? b : a);
const unitOf = (subject) => (subject.startsWith('camera/') ? subject.split('/')[1] : null);

// What a round says of each unit: {met, tight, missed, unread, heads: {id: worst}}, in one pass.
const unitsOf = (document) => {
  const out = {};
  for (const { subject, verdict } of document.verdicts) {
    const parts = subject.split('/');
    if (parts[0] !== 'camera') continue;
    const unit = (out[parts[1]] ??= { met: 0, tight: 0, missed: 0, unread: 0, heads: {} });
    unit[verdict] += 1;
    if (parts[2] === 'head') unit.heads[parts[3]] = worse(unit.heads[parts[3]], verdict);
  }
  return out;
};

const choose = async () => {
  const { rounds } = await get('/api/rounds?limit=200');
  const whole = rounds.find((r) => r.kind !== 'prove' && r.state === 'complete');
  const proofs = rounds
    .filter((r) => r.kind === 'prove' && r.state === 'complete' && (!whole || r.round > whole.round))
    .slice(0, 20);
  const out = [...proofs, ...(whole ? [whole] : [])].reverse();
  for (const head of out) if (!documents.has(head.round)) documents.set(head.round, await get(`/api/rounds/${head.round}`));
  for (const id of documents.keys()) if (!out.some((head) => head.round === id)) documents.delete(id);
  standing = out.map((head) => head.round);
  return out;
};

const summary = ({ roll, strangers, verdicts, findings, headroom, days_held, drift, readings, ...rest }) => rest;

const digest = async () => {
  const heads = await choose();
  const out = {
    rounds: heads.map((head) => summary(documents.get(head.round))),
    units: {},
    others: [],
    findings: [],
    headroom: [],
    days_held: [],
  };
  for (const head of heads) {
    const document = documents.get(head.round);
    const units = unitsOf(document);
    for (const [id, unit] of Object.entries(units)) out.units[id] = { ...unit, round: head.round };
    if (head.kind === 'prove') {
      const told = (finding) => units[unitOf(finding.subject)] !== undefined;
      out.findings = [...out.findings.filter((f) => !told(f)), ...document.findings.filter(told)];
    } else {
      out.findings = document.findings;
      out.headroom = document.headroom ?? [];
      out.days_held = document.days_held ?? [];
      out.others = document.verdicts.filter((v) => unitOf(v.subject) === null);
    }
  }
  return out;
};

// Verdicts at or below a subject, of the newest round of those standing that has any.
const verdicts = (subject) => {
  for (const id of [...standing].reverse()) {
    const found = (documents.get(id)?.verdicts ?? []).filter((v) => v.subject === subject || v.subject.startsWith(`${subject}/`));
    if (found.length > 0) return { round: id, verdicts: found };
  }
  return { round: null, verdicts: [] };
};

// One after another, so that two rounds that end together are not read twice.
let turn = Promise.resolve();
onmessage = ({ data }) => {
  token = data.token;
  turn = turn.then(async () => {
    try {
      postMessage({ id: data.id, answer: data.ask === 'digest' ? await digest() : verdicts(data.subject) });
    } catch (fault) {
      postMessage({ id: data.id, fault: fault.message });
    }
  });
};
