// What a question is answered with: buttons, steps, a number, a text, louder and softer.

function press(option, extra) {
  const key = JSON.stringify(option.answer);
  const writing = pending && pending.key === key;
  return el('button', {
    type: 'button', 'data-k': `a${key}`, 'aria-disabled': pending ? 'true' : null,
    class: [extra, writing ? 'writing' : ''].join(' ').trim() || null, click: () => answer(option.answer),
  }, option.label);
}

function answersOf(question) {
  const buttons = question.buttons;
  switch (question.input) {
    case 'steps':
      return [el('div', { class: 'answers pick steps', role: 'group', 'aria-label': 'Seven steps' }, ...buttons.map((option) => {
        const side = option.step < 0 ? 'weak' : option.step > 0 ? 'strong' : '';
        const button = press(option, `${side} s${Math.abs(option.step)}`);
        button.replaceChildren(el('span', {}, option.label), el('span', { class: 'scale', 'aria-hidden': 'true' }, el('i')));
        return button;
      }))];
    case 'choose':
      return [el('div', { class: 'answers pick' }, ...buttons.map((option) => press(option, '')))];
    case 'number': return isCount(question) ? [count(question.number)] : numberField(question);
    case 'text': return textField(question);
    case 'nudge': return level(question);
    default:
      below(buttons);
      return [];
  }
}

/** What leads on stands in the thumb's reach, however long the text is. */
function below(buttons) {
  fill(answers, ...buttons.map((option, at) => press(option, at === 0 ? 'lead' : '')));
}

/** Whether a number is one of a row that was counted while it sounded. */
function isCount({ number }) {
  return number && !number.unit && number.default == null && number.low === 1 && number.high <= 24;
}

/** A button for each: no thumb has to type. */
function count({ high, answer: kind }) {
  const one = (value) => press({ label: String(value), answer: { answer: kind, value } }, '');
  return el('div', { class: 'answers pick count' }, ...Array.from({ length: high }, (_, at) => one(at + 1)));
}

function field(question, unit, hint, attributes, initial, finish) {
  const input = el('input', { id: 'typed', 'data-k': 'typed', autocomplete: 'off', 'aria-describedby': 'hint', ...attributes });
  input.value = typed;
  input.setAttribute('aria-label', question.text);
  if (initial != null) input.placeholder = initial;
  // What the button takes is what stands in the field, or else what stands there faintly.
  const label = () => (typed.trim() || initial == null ? 'take this' : unit === null ? `leave it at '${initial}'` : `take ${initial} ${unit}`.trim());
  const done = el('button', {
    type: 'button', 'data-k': 'take', class: pending ? 'writing' : 'lead', 'aria-disabled': pending ? 'true' : null, click: finish,
  }, label());
  input.addEventListener('input', () => { typed = input.value; done.textContent = label(); });
  input.addEventListener('keydown', (event) => { if (event.key === 'Enter') { event.preventDefault(); finish(); } });
  return [
    el('div', { class: 'field' }, input, unit && el('span', {}, unit)),
    el('p', { class: 'why', id: 'hint' }, hint),
    el('div', { class: 'answers' }, done),
  ];
}

function numberField(question) {
  const { unit, low, high, hint, answer: kind } = question.number;
  const initial = question.number.default;
  return field(question, unit, hint, { inputmode: low < 0 ? 'text' : 'decimal' }, initial, () => {
    const text = typed.trim().replace(',', '.');
    const value = text === '' && initial != null ? initial : text === '' ? NaN : Number(text);
    if (!Number.isFinite(value)) refuse(text === '' ? 'Type a number first.' : `'${typed}' is not a number; type digits, such as 4.2.`);
    else if (value < low || value > high) refuse(`${typed} is out of range; it must lie between ${low} and ${high} ${unit}.`);
    else answer({ answer: kind, value });
  });
}

function textField(question) {
  const { longest } = question.text_field;
  const initial = question.text_field.default;
  return field(question, null, `at most ${longest} characters`, { maxlength: longest, autocapitalize: 'sentences' }, initial, () => {
    const value = typed.trim() || initial;
    if (!value) refuse('Type at least one character.');
    else answer({ answer: 'text', value });
  });
}

function refuse(why) {
  slip = why;
  draw();
}

function level(question) {
  const { scale, blocked, matching, step } = question.nudge;
  const pair = (down, downLabel, up) => el('div', { class: 'pair' },
    el('button', { type: 'button', 'data-k': down, click: () => act(down) }, downLabel),
    el('button', {
      type: 'button', 'data-k': up, 'aria-disabled': blocked ? 'true' : null,
      'aria-describedby': blocked ? 'blocked' : null, click: () => { if (!blocked) act(up); },
    }, 'louder'));
  const rest = [blocked && el('p', { class: 'why', id: 'blocked' }, blocked)];
  below(question.buttons);
  // A match is made by ear: there is no figure to match to.
  if (matching) return [el('div', { class: 'level' }, pair('nudge-down', 'softer', 'nudge-up'), el('p', { class: 'ends' }, step)), ...rest];
  const { now, low, high, unit } = scale;
  const bar = el('i');
  bar.style.width = `${Math.max(0, Math.min(100, (100 * (now - low)) / (high - low)))}%`;
  return [
    el('div', { class: 'level' },
      el('p', { class: 'now' }, `${now.toFixed(0)} ${unit}`),
      el('div', { class: 'track', 'aria-hidden': 'true' }, bar),
      el('p', { class: 'ends' }, el('span', {}, `${low} ${unit}`), el('span', {}, `${high} ${unit} at most`)),
      pair('quieter', 'quieter', 'louder')),
    ...rest,
  ];
}
