// The service's event feed. The browser resumes by itself with the last number it heard.

const names = ['presence', 'stranger', 'interface', 'round_started', 'round_progress', 'reading', 'verdict',
  'round_ended', 'witness', 'record_fault'];

export const follow = (onEvent, onState) => {
  const source = new EventSource('/api/events');
  source.onopen = () => onState(true);
  source.onerror = () => onState(false);
  for (const name of names) source.addEventListener(name, (event) => onEvent(name, JSON.parse(event.data)));
};

export const get = async (path) => {
  const answer = await fetch(path);
  if (!answer.ok) throw new Error((await answer.json()).error.what);
  return answer.json();
};

export const send = async (method, path, body) => {
  const answer = await fetch(path, { method, body: body ? JSON.stringify(body) : undefined });
  const text = await answer.json();
  if (!answer.ok) throw new Error(text.error.what);
  return text;
};
