// The worker of round_reader.js, asked from the thread that draws.

import { currentToken } from './feed.js';

const worker = new Worker('/board/round_reader.js', { type: 'module' });
const waiting = new Map();
let count = 0;

worker.onmessage = ({ data }) => {
  const [resolve, reject] = waiting.get(data.id);
  waiting.delete(data.id);
  if (data.fault) reject(new Error(data.fault));
  else resolve(data.answer);
};
worker.onerror = () => {
  for (const [, reject] of waiting.values()) reject(new Error('the rounds could not be read'));
  waiting.clear();
};

const ask = (question) =>
  new Promise((resolve, reject) => {
    count += 1;
    waiting.set(count, [resolve, reject]);
    worker.postMessage({ ...question, id: count, token: currentToken() });
  });

export const digestOfRounds = () => ask({ ask: 'digest' });
export const verdictsOf = (subject) => ask({ ask: 'verdicts', subject });
