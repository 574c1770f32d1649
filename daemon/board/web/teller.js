// Tells a screen reader what happened, sparingly: at most every two seconds, and many units as a count.

const worthTelling = ['lost', 'arrived', 'wanting', 'proven'];
const EVERY_MS = 2000;
const MOST = 3; // sentences at once

export const makeTeller = (place) => {
  let units = new Map(),
    words = [],
    timer = 0;
  const flush = () => {
    timer = 0;
    const byPresence = new Map();
    for (const [unit, presence] of units) byPresence.set(presence, [...(byPresence.get(presence) ?? []), unit]);
    const told = [...byPresence].map(([presence, list]) =>
      list.length > 3 ? `${list.length} units ${presence}.` : `${list.join(', ')}: ${presence}.`,
    );
    const more = words.length > MOST ? [`And ${words.length - MOST} more.`] : [];
    place.textContent = [...words.slice(0, MOST), ...more, ...told].join(' ');
    units = new Map();
    words = [];
  };
  const later = () => {
    if (!timer) timer = setTimeout(flush, EVERY_MS);
  };
  const tell = (sentence) => {
    words.push(sentence);
    later();
  };
  const hear = (name, data) => {
    if (name === 'presence' && worthTelling.includes(data.presence)) {
      units.set(data.camera, data.presence);
      later();
    }
    if (name === 'round_started') tell(`Round ${data.round} runs.`);
    if (name === 'round_ended') tell(`Round ${data.round} has ended.`);
    if (name === 'finding') tell(`${data.sentence}.`);
    if (name === 'bench' && data.warning) tell(data.warning);
    if (name === 'drift' && data.text) tell(`Drift: ${data.text}.`);
    if (name === 'record_fault') tell(`The record: ${data.what}.`);
  };
  return { hear, tell };
};
