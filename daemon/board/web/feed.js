// The service asked, and its event feed heard. The feed is read by fetch, not by EventSource: so that silence is noticed (the
// service says something every 15 s), and so that the token of an open door can be sent.

const SILENT_MS = 40000;
const WAITS_MS = [300, 1000, 2000, 5000, 10000];

let token = sessionStorage.getItem('token') ?? '';
export const setToken = (words) => {
  token = words;
  sessionStorage.setItem('token', words);
};
export const currentToken = () => token;

const headers = () => (token ? { Authorization: `Bearer ${token}` } : {});

// `status` 0: the service could not be reached.
export class Refusal extends Error {
  constructor(what, tryNext, status) {
    super(tryNext ? `${what}. Try: ${tryNext}.` : `${what}.`);
    this.status = status;
  }
}

export const request = async (method, path, body) => {
  let answer;
  try {
    answer = await fetch(path, {
      method,
      headers: headers(),
      cache: 'no-store',
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch {
    throw new Refusal('The service does not answer', 'see whether tallywired runs', 0);
  }
  if (answer.ok) return answer;
  const said = await answer.json().catch(() => null);
  throw new Refusal(said?.error?.what ?? `The service answers ${answer.status}`, said?.error?.try_next, answer.status);
};

export const get = async (path) => (await request('GET', path)).json();
export const send = async (method, path, body) => (await request(method, path, body)).json();

// What may not be there in this service: null then.
export const getIfThere = (path) =>
  get(path).catch((fault) => {
    if (fault.status === 404) return null;
    throw fault;
  });

// A value of a query; a subject's slashes stay readable.
export const parameter = (words) => encodeURIComponent(words).replaceAll('%2F', '/').replaceAll('%3A', ':');

// One event of the stream: [name, data, id]; null for a comment.
const eventOf = (block) => {
  let name = '',
    data = '',
    id = null;
  for (const line of block.split('\n')) {
    if (line.startsWith('event: ')) name = line.slice(7);
    else if (line.startsWith('data: ')) data += line.slice(6);
    else if (line.startsWith('id: ')) id = Number(line.slice(4));
  }
  return name ? [name, JSON.parse(data), id] : null;
};

const read = async (answer, heard) => {
  const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = '';
  for (;;) {
    const { done, value } = await reader.read();
    if (done) return;
    const blocks = (rest + value).split('\n\n');
    rest = blocks.pop();
    heard(blocks.map(eventOf).filter((event) => event !== null));
  }
};

// Never returns. `onState(state, status)`: "live" each time that the feed is there (what is shown must then be asked anew, since
// passing events are not told twice), "lost" when it broke. `onEvent(name, data)` follows the order of the feed.
export const follow = async (onEvent, onState) => {
  let last = null;
  for (let failures = 0; ; ++failures) {
    const stop = new AbortController();
    let watch = 0,
      status = 0;
    const alive = () => {
      clearTimeout(watch);
      watch = setTimeout(() => stop.abort(), SILENT_MS);
    };
    try {
      alive();
      const answer = await fetch(last === null ? '/api/events' : `/api/events?after=${last}`, {
        headers: headers(),
        cache: 'no-store',
        signal: stop.signal,
      });
      status = answer.status;
      if (answer.ok) {
        failures = 0;
        onState('live', status);
        await read(answer, (events) => {
          alive();
          for (const [name, data, id] of events) {
            if (id !== null) last = id;
            onEvent(name, data);
          }
        });
      } else if (status !== 401) {
        last = null; // a place that the service does not know: hear what comes from now on
      }
    } catch {
      /* told by the state */
    }
    clearTimeout(watch);
    stop.abort();
    onState('lost', status);
    await pause(WAITS_MS[Math.min(failures, WAITS_MS.length - 1)]);
  }
};

// Ends early when the network is back or the page is looked at again.
const pause = (ms) =>
  new Promise((resolve) => {
    const done = () => {
      clearTimeout(timer);
      removeEventListener('online', done);
      document.removeEventListener('visibilitychange', done);
      resolve();
    };
    const timer = setTimeout(done, ms);
    addEventListener('online', done);
    document.addEventListener('visibilitychange', done);
  });
