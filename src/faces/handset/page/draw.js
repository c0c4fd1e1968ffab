// Draws the newest card: the question, what stands beside it, and the news.

function draw() {
  // A button that is replaced between touch and release is never pressed.
  const left = thumb + HELD_MS - performance.now();
  if (inTouch && left > 0) {
    waiting ||= setTimeout(() => { waiting = null; draw(); }, left);
    return;
  }
  const state = JSON.stringify([inTouch, over, pending, slip, rattles, more, card, plan && plan.length, canWake]);
  if (state === drawn) return;
  drawn = state;
  const focused = document.activeElement && document.activeElement.dataset && document.activeElement.dataset.k;
  // The end of a visit stays on the screen after the laptop has gone.
  const ended = over && card && card.done;
  main.className = inTouch || ended ? '' : 'away';
  fill(answers);
  if (newest() !== screen) {
    shown = performance.now();
    takesFrom(shown + FRESH_MS);
  }
  screen = newest();
  document.body.dataset.question = card && card.question ? card.question.id : '';
  if (!inTouch && !ended) drawAway();
  else drawCard();
  drawTop();
  drawTools();
  drawNews();
  const back = focused && announced === headline() && document.querySelector(`[data-k="${CSS.escape(focused)}"]`);
  if (back) back.focus({ preventScroll: true });
  else if (announced !== headline()) {
    const typing = main.querySelector('input');
    const first = typing && !matchMedia('(pointer: coarse)').matches ? typing : main.querySelector('h1');
    if (first) first.focus({ preventScroll: true });
  }
  if (announced !== headline()) scrollTo(0, 0);
  announced = headline();
}

/** Says from when on the screen takes a tap, for whoever presses without reading. */
function takesFrom(at) {
  document.body.dataset.takesFrom = at;
}

/** The screen that the newest card asks for: the question's number, or what is in its place. */
const newest = () => (!inTouch ? 'away' : card.paused ? 'paused' : card.question ? card.question.id : 'none');

let announced = '';
const headline = () => (inTouch ? `${asked}${card.paused}${card.question && card.question.text}` : 'away');

const heading = (text) => el('h1', { tabindex: '-1' }, ...words(text));
const reason = (text) => text && el('p', { class: 'why' }, ...words(text));
/** What sounds, told apart from what is asked and pressed. */
const soundsNow = () => el('p', { class: 'note' }, el('small', { class: 'now' }, 'now'), ...words(card.sound));

function drawAway() {
  const parts = over
    ? [heading(over), el('p', {}, 'This page goes on by itself when the visit does.')]
    : [heading('Out of touch with the laptop'), el('p', {}, 'Trying again, several times a second. Nothing can be answered until then.')];
  if (card && !over) parts.push(el('p', { class: 'why' }, 'Sound fades by itself when the screen in charge is silent for 3 seconds. Stop is sent as soon as it gets through.'));
  fill(main, ...parts);
}

function drawCard() {
  const question = card.question;
  if (card.paused) {
    fill(main, heading(card.sounding ? 'Fading.' : 'It is silent now.'), el('p', {}, card.paused),
      question && reason(`Then: ${question.text}`), reason(`This is phone ${card.phone} of the visit '${card.visit}'.`));
    fill(answers, el('button', { type: 'button', class: 'lead', 'data-k': 'go', click: () => act('continue') }, 'go on'));
    return;
  }
  if (question) {
    const spotted = !question.note && plan && (question.tapes || card.ranking.length);
    main.className = spotted ? 'spotted' : ['steps', 'choose'].includes(question.input) || isCount(question) ? 'picked' : '';
    fill(main, ...drawQuestion(question), ...drawLead());
    return;
  }
  if (card.done) {
    fill(main, heading('The visit is complete.'),
      card.sheet && el('p', {}, `The set-up sheet is at the laptop: ${card.sheet}`), ...drawLead(), plan && picture(plan, 'plan'));
    return;
  }
  fill(main, heading(card.sound ? 'Listen.' : 'One moment.'), card.sound && soundsNow());
}

function drawQuestion(question) {
  const inputs = answersOf(question);
  if (question.note) {
    const [hertz, name] = question.note.split(', ');
    // The reason says against what the note is held: it is read before the steps, in one run with the question.
    const figure = (text) => el('small', { class: 'figure' }, text);
    return [
      el('div', {},
        el('p', { class: 'note' }, name ? name : figure(hertz), name && figure(hertz), ' ', el('small', {}, question.place)),
        el('div', { class: 'said' }, heading(question.text), reason(question.shortfall), reason(question.why))),
      ...inputs,
    ];
  }
  const where = question.tapes && el('p', { class: 'tapes' }, ...words(question.tapes));
  const seen = (question.tapes || card.ranking.length > 0) && plan && picture(plan, 'plan');
  const sounds = card.sounding && card.sound && question.input !== 'nudge' && !question.tapes && soundsNow();
  const why = reason(question.why);
  // A list is above its reason, so that its last line can be reached.
  const isList = question.input === 'choose' || isCount(question);
  if (isList) return [heading(question.text), where, seen, sounds, ...inputs, why];
  // Where to go is looked up on the plan; anything else is read first, and the plan is cut where the screen is low.
  const plans = question.tapes ? [where, seen, why] : [why, seen];
  return [heading(question.text), ...plans, sounds, ...inputs];
}

function drawLead() {
  if (!card.ranking.length) return [];
  return [
    el('h2', {}, 'Who leads'), ...card.lead.map((line) => el('p', {}, line)), ranking(),
  ];
}

function ranking() {
  return el('table', {},
    el('thead', {}, el('tr', {}, ...['spot', 'spread', 'most even'].map((head) => el('th', { scope: 'col' }, head)))),
    el('tbody', {}, ...card.ranking.map((row) => el('tr', {}, el('td', {}, row.spot), el('td', {}, row.spread), el('td', {}, row.odds)))));
}

function drawDesk() {
  desk.hidden = !wide.matches || !desks;
  if (desk.hidden) return;
  fill(desk,
    desks.plan ? el('div', {}, el('h2', {}, 'Plan'), picture(desks.plan, 'plan')) : null,
    desks.curves ? el('div', {}, el('h2', {}, 'What it sounds like at the seat'), picture(desks.curves, 'curves')) : null,
    card && card.ranking.length ? el('div', {}, el('h2', {}, 'Ranking'), ranking(), ...desks.caveats.map((line) => el('p', { class: 'why' }, line))) : null,
    el('div', {}, el('h2', {}, 'Answers'), desks.log.length
      ? el('ol', { class: 'log', reversed: true }, ...desks.log.map((line) => el('li', {}, line.asked && el('span', { class: 'asked' }, ...words(line.asked)), line.taken)))
      : el('p', { class: 'why' }, 'Nothing was answered yet since the program started.')),
  );
}

function drawTop() {
  $('chapter').textContent = card && inTouch && !card.progress.length ? card.chapter : '';
  $('progress').textContent = card && inTouch ? card.progress.join(' · ') : '';
  const bar = $('bar');
  bar.hidden = !(card && inTouch && card.share != null);
  if (!bar.hidden) bar.firstElementChild.style.width = `${100 * card.share}%`;
}

function drawTools() {
  if (!inTouch || !card) { fill(tools); return; }
  const offers = card.offers, first = [], rest = [];
  const tool = (list, offered, command, label) => {
    if (offered) list.push(el('button', { type: 'button', 'data-k': command, click: () => act(command) }, label));
  };
  tool(first, offers.again, 'again', 'again');
  tool(first, offers.back, 'back', 'back');
  if (!card.paused && card.question && card.question.rattles) {
    first.push(el('button', { type: 'button', 'data-k': 'rattles', 'aria-pressed': String(rattles), click: toggleRattles }, 'something rattles'));
  }
  tool(first, !card.paused && !card.done, 'pause', 'pause');
  tool(rest, offers.skip, 'skip', 'skip');
  tool(rest, offers.undo, 'undo', 'undo');
  tool(rest, card.sounding && !(card.question && card.question.input === 'nudge'), 'quieter', 'quieter');
  if (offers.answer_by) tool(rest, true, 'answer-by', offers.answer_by === 'match' ? 'match instead' : 'rate instead');
  tool(rest, offers.decide, 'decide', 'decide now');
  // Five in a row are as many as a thumb tells apart; the others wait behind one.
  if (first.length + rest.length > 4) {
    first.push(el('button', { type: 'button', 'data-k': 'more', 'aria-expanded': String(more), 'aria-controls': 'tools', click: () => { more = !more; draw(); } }, more ? 'less' : 'more'));
    fill(tools, ...first, ...(more ? [el('i'), ...rest] : []));
  } else fill(tools, ...first, ...rest);
}

function toggleRattles() {
  if (!meant()) return;
  rattles = !rattles;
  buzz(15);
  draw();
}

function drawNews() {
  if (unpaired || stopping) return;
  if (!inTouch || !card) { tell(); return; }
  const lines = [];
  if (slip || card.refusal) lines.push(['Not taken: ', slip || card.refusal]);
  else if (card.device_gone) lines.push(['Notice: ', 'the sound output is gone; the visit is safe.']);
  else if (card.notice) lines.push(['Notice: ', card.notice]);
  else if (canWake === false) lines.push(['Notice: ', 'this browser lets no page keep the screen on; let it stay on longer in the phone\'s settings.']);
  if (card.taken && !slip) lines.push(['Taken: ', card.taken]);
  tell(...lines);
}
