// The name of whoever confirms something, remembered in this browser. One field a view.

import { el } from './dom.js';

export const makeName = (purpose) => {
  const field = el('input', {
    id: 'own-name',
    type: 'text',
    autocomplete: 'name',
    maxlength: 100,
    required: true,
    change: () => localStorage.setItem('name', field.value.trim()),
  });
  field.value = localStorage.getItem('name') ?? '';
  const node = el('p', { class: 'own-name' }, el('label', { for: 'own-name' }, purpose), field);
  // The name; '' when there is none yet, and then the field is where the cursor is.
  const ask = (say) => {
    const name = field.value.trim();
    if (name === '') {
      say('Write your name first: it stands beside what you confirm.');
      field.focus();
    } else {
      localStorage.setItem('name', name);
    }
    return name;
  };
  return { node, ask };
};
