// Draws the newest card and sends what is pressed. It knows nothing of the visit but that card.
'use strict';
(() => {
  const $ = (id) => document.getElementById(id);
  const main = $('main'), news = $('news'), answers = $('answers'), tools = $('tools'), desk = $('desk');
  const SILENCE_MS = 2500, RETRY_MS = 300, OPENS_WITHIN_MS = 1000, WRITTEN_WITHIN_MS = 3000, FRESH_MS = 250, PRESS_MS = 175;

  let socket = null, card = null, plan = null, desks = null;
  let inTouch = false, over = '', heard = 0, number = 0, failures = 0;
  let rattles = false, more = false, typed = '', slip = '', drawn = '', shown = 0, asked = null;
  /* The answer on its way to the disk: which question, which button, since when. */
  let pending = null;
  let refusals = null, pressing = 0, raised = 0, told = '', canWake = null;

  // --- small helpers ---------------------------------------------------------------------------------------------

  /** An element with attributes and children; a function stands for what a click does. */
  function el(tag, attributes, ...children) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (typeof value === 'function') made.addEventListener('click', value);
      else if (value === true) made.setAttribute(name, '');
      else if (value !== false && value != null) made.setAttribute(name, value);
    }
    return fill(made, ...children);
  }

  /** Puts children in place of what was there; nothing leaves no trace. */
  function fill(parent, ...children) {
    parent.replaceChildren(...children.filter((child) => child != null && child !== false && child !== ''));
    return parent;
  }

  /** A picture from the laptop as elements; scripts in it would never run. */
  function picture(svg, kind) {
    const parsed = new DOMParser().parseFromString(svg, 'image/svg+xml').documentElement;
    return el('div', { class: kind }, document.importNode(parsed, true));
  }

  function buzz(ms) {
    try { if (navigator.vibrate) navigator.vibrate(ms); } catch { /* not allowed here */ }
  }

  /** Says what is new; the same words again are not said again. */
  function tell(...lines) {
    const said = JSON.stringify(lines);
    if (told === said) return;
    told = said;
    fill(news, ...lines.map(([head, text]) => el('p', {}, el('b', {}, head), text)));
  }

  // --- talking to the laptop -------------------------------------------------------------------------------------

  function send(said) {
    if (!socket || socket.readyState !== WebSocket.OPEN) return false;
    socket.send(JSON.stringify(said));
    return true;
  }

  function connect() {
    const opening = new WebSocket(`ws://${location.host}/socket`);
    socket = opening;
    const slow = setTimeout(() => opening.close(), OPENS_WITHIN_MS);
    opening.onopen = () => {
      clearTimeout(slow);
      failures = 0;
      heard = performance.now();
      alive();
      send({ desk: wide.matches });
    };
    opening.onmessage = (message) => { if (socket === opening) hear(JSON.parse(message.data)); };
    opening.onclose = () => {
      clearTimeout(slow);
      if (socket !== opening) return;
      socket = null;
      lose();
      failures += 1;
      if (failures % 4 === 2) checkPairing();
      setTimeout(() => { if (!socket) connect(); }, over ? 1000 : RETRY_MS);
    };
  }

  /** A socket is refused without a reason; a page that is not paired any more has to say so. */
  async function checkPairing() {
    try {
      const answer = await fetch('/page.css', { cache: 'no-store' });
      if (answer.status === 401) location.reload();
    } catch { /* out of touch */ }
  }

  /** Begins anew at once: the network is back, or the phone woke. */
  function again() {
    const old = socket;
    socket = null;
    if (old) old.close();
    connect();
  }

  function lose() {
    inTouch = false;
    draw();
  }

  function alive() {
    if (document.visibilityState === 'visible') send({ alive: ++number });
  }

  function hear(message) {
    heard = performance.now();
    if ('over' in message) {
      over = message.over;
      lose();
      draw();
      return;
    }
    if ('plan' in message) { plan = message.plan; drawn = ''; }
    if ('desk' in message) { desks = message.desk; drawDesk(); }
    if ('refused' in message) { pending = null; pressing = 0; slip = message.refused; drawn = ''; }
    if ('card' in message) take(message.card);
    draw();
  }

  function take(next) {
    // Only a card makes a question the present one.
    inTouch = true;
    over = '';
    pressing = 0;
    const before = card;
    card = next;
    if (pending && card.taken_id === pending.id) {
      pending = null;
      slip = '';
      buzz(30);
    } else if (refusals !== null && card.refusals !== refusals) {
      pending = null;
      buzz([20, 60, 20]);
    } else if (pending && (!card.question || card.question.id !== pending.id) && card.question) {
      pending = null;
    }
    refusals = card.refusals;
    document.body.dataset.taken = card.taken_id == null ? '' : card.taken_id;
    const id = card.question && card.question.id;
    // The question may be away while its answer is written: what was typed goes with the next one.
    if (id != null && id !== asked) {
      asked = id;
      rattles = more = false;
      typed = '';
      slip = '';
      shown = performance.now();
    }
    if (before && before.closing !== card.closing && card.closing) over = 'The visit was closed at the laptop.';
  }

  function act(command) {
    if (command === 'stop') return stop();
    buzz(15);
    if (command === 'louder' || command === 'nudge-up') {
      // One press at a time: nothing may still be rising after the thumb has left.
      const now = performance.now();
      if (pressing && now - pressing < 1000 || now - raised < PRESS_MS) return;
      pressing = raised = now;
    }
    if (!send({ do: command })) draw();
  }

  function answer(given) {
    if (!inTouch || pending || !card || !card.question || card.paused) return;
    // A second tap on the same place was not meant for the next question.
    if (performance.now() - shown < FRESH_MS) return;
    const said = { question: card.question.id, answer: given, rattles };
    if (!send({ answer: said })) return;
    buzz(15);
    slip = '';
    pending = { id: card.question.id, key: JSON.stringify(given), at: performance.now() };
    draw();
  }

  /** Stop goes every way there is, until one has worked. */
  let stopping = 0, stops = 0;
  function stop() {
    buzz(40);
    const sent = send({ do: 'stop' });
    if (!sent || performance.now() - heard > 1200) {
      stopping = ++stops;
      tell(['Stop: ', 'being sent …']);
      postStop(stopping, 0);
    }
  }

  async function postStop(mine, tries) {
    if (mine !== stopping || tries > 400) return;
    try {
      const answer = await fetch('/stop', { method: 'POST', keepalive: true });
      if (answer.ok) stopping = 0;
      if (answer.ok) { tell(['Stop: ', 'it has arrived.']); return; }
      if (answer.status === 410 || answer.status === 401) { tell(['Stop: ', 'the visit has ended; nothing sounds.']); return; }
    } catch { /* again */ }
    setTimeout(() => postStop(mine, tries + 1), 250);
  }

  // --- drawing ---------------------------------------------------------------------------------------------------

  function draw() {
    const state = JSON.stringify([inTouch, over, pending, slip, rattles, more, card, plan && plan.length, canWake]);
    if (state === drawn) return;
    drawn = state;
    const focused = document.activeElement && document.activeElement.dataset && document.activeElement.dataset.k;
    // The end of a visit stays on the screen after the laptop has gone.
    const ended = over && card && card.done;
    main.className = inTouch || ended ? '' : 'away';
    fill(answers);
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

  let announced = '';
  const headline = () => (inTouch ? `${asked}${card.paused}${card.question && card.question.text}` : 'away');

  const heading = (text) => el('h1', { tabindex: '-1' }, text);

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
        question && el('p', { class: 'why' }, `Then: ${question.text}`));
      fill(answers, el('button', { type: 'button', class: 'lead', 'data-k': 'go', click: () => act('continue') }, 'go on'));
      return;
    }
    if (question) {
      main.className = question.note ? 'note-up' : plan && (question.tapes || card.ranking.length) ? 'spotted' : '';
      fill(main, ...drawQuestion(question), ...drawLead());
      return;
    }
    if (card.done) {
      fill(main, heading('The visit is complete.'),
        card.sheet && el('p', {}, `The set-up sheet is at the laptop: ${card.sheet}`), ...drawLead(), plan && picture(plan, 'plan'));
      return;
    }
    fill(main, heading(card.sound ? 'Listen.' : 'One moment.'), card.sound && el('p', { class: 'note' }, card.sound));
  }

  function drawQuestion(question) {
    const inputs = answersOf(question);
    const why = question.why && el('p', { class: 'why' }, question.why);
    if (question.note) {
      const [hertz, name] = question.note.split(', ');
      return [
        el('p', { class: 'note' }, name || hertz, name && el('small', {}, hertz), el('small', {}, question.place)),
        heading(question.text), question.shortfall && el('p', { class: 'why' }, question.shortfall), ...inputs, why,
      ];
    }
    const where = question.tapes && el('p', { class: 'tapes' }, question.tapes);
    const seen = (question.tapes || card.ranking.length > 0) && plan && picture(plan, 'plan');
    const sounds = card.sounding && card.sound && question.input !== 'nudge' && !question.tapes && el('p', { class: 'note' }, card.sound);
    return [heading(question.text), where, seen, why, sounds, ...inputs];
  }

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
        return [el('div', { class: 'answers steps', role: 'group', 'aria-label': 'Seven steps' }, ...buttons.map((option) => {
          const side = option.step < 0 ? 'weak' : option.step > 0 ? 'strong' : '';
          const button = press(option, `${side} s${Math.abs(option.step)}`);
          button.replaceChildren(el('span', {}, option.label), el('span', { class: 'scale', 'aria-hidden': 'true' }, el('i')));
          return button;
        }))];
      case 'choose':
        return [el('div', { class: 'answers' }, ...buttons.map((option) => press(option, '')))];
      case 'number': return numberField(question);
      case 'text': return textField(question);
      case 'nudge': return level(question);
      default:
        // What leads on stands in the thumb's reach, however long the text is.
        fill(answers, ...buttons.map((option, at) => press(option, at === 0 ? 'lead' : '')));
        return [];
    }
  }

  function field(question, unit, hint, attributes, initial, finish) {
    const input = el('input', { id: 'typed', 'data-k': 'typed', autocomplete: 'off', 'aria-describedby': 'hint', ...attributes });
    input.value = typed;
    input.setAttribute('aria-label', question.text);
    if (initial != null) input.placeholder = initial;
    input.addEventListener('input', () => { typed = input.value; });
    const done = el('button', {
      type: 'button', 'data-k': 'take', class: pending ? 'writing' : 'lead', 'aria-disabled': pending ? 'true' : null, click: finish,
    }, initial != null ? `take this, or ${initial}${unit ? ` ${unit}` : ''}` : 'take this');
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
    return field(question, '', `at most ${longest} characters`, { maxlength: longest, autocapitalize: 'sentences' }, initial, () => {
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
    const { now, low, high, unit, blocked, matching, step } = question.nudge;
    const pair = (down, downLabel, up) => el('div', { class: 'pair' },
      el('button', { type: 'button', 'data-k': down, click: () => act(down) }, downLabel),
      el('button', {
        type: 'button', 'data-k': up, 'aria-disabled': blocked ? 'true' : null,
        'aria-describedby': blocked ? 'blocked' : null, click: () => { if (!blocked) act(up); },
      }, 'louder'));
    const rest = [
      blocked && el('p', { class: 'why', id: 'blocked' }, blocked),
      el('div', { class: 'answers' }, ...question.buttons.map((option, at) => press(option, at === 0 ? 'lead' : ''))),
    ];
    // A match is made by ear: no figure, so that nobody matches to one.
    if (matching) return [el('div', { class: 'level' }, pair('nudge-down', 'softer', 'nudge-up'), el('p', { class: 'ends' }, step)), ...rest];
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
        ? el('ol', { class: 'log', reversed: true }, ...desks.log.map((line) => el('li', {}, line)))
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
    rattles = !rattles;
    buzz(15);
    draw();
  }

  function drawNews() {
    if (!inTouch || !card) { if (!stopping) tell(); return; }
    const lines = [];
    if (slip || card.refusal) lines.push(['Not taken: ', slip || card.refusal]);
    else if (card.device_gone) lines.push(['Notice: ', 'the sound output is gone; the visit is safe.']);
    else if (card.notice) lines.push(['Notice: ', card.notice]);
    else if (canWake === false) lines.push(['Notice: ', 'this browser lets no page keep the screen on; let it stay on longer in the phone\'s settings.']);
    if (card.taken && !slip) lines.push(['Taken: ', card.taken]);
    tell(...lines);
  }

  // --- keys: a keyboard or a page-turner -------------------------------------------------------------------------

  const COMMANDS = { a: 'again', b: 'back', s: 'skip', u: 'undo', d: 'decide', m: 'answer-by', '+': 'louder', '=': 'louder', '-': 'quieter' };

  function step(by) {
    const list = [...document.querySelectorAll('#main .answers button, #main .pair button, #answers button')];
    if (!list.length) return;
    const here = list.indexOf(document.activeElement);
    // The seven begin in the middle.
    const start = list.length === 7 ? 3 : by > 0 ? 0 : list.length - 1;
    const next = here < 0 ? start : (here + by + list.length) % list.length;
    list[next].focus();
  }

  addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key, at = document.activeElement;
    const typing = at && at.tagName === 'INPUT', onButton = at && at.tagName === 'BUTTON';
    if (key === 'Escape') { event.preventDefault(); stop(); return; }
    if (typing) return;
    if (key === ' ' && !onButton) { event.preventDefault(); stop(); return; }
    if (!inTouch || !card || event.repeat && key !== '-') return;
    const matching = !card.paused && card.question && card.question.nudge && card.question.nudge.matching;
    if (matching && key.startsWith('Arrow')) {
      event.preventDefault();
      const button = main.querySelector(`[data-k="nudge-${key === 'ArrowUp' || key === 'ArrowRight' ? 'up' : 'down'}"]`);
      if (button) button.click();
      return;
    }
    if (key === 'ArrowDown' || key === 'ArrowRight' || key === 'PageDown') { event.preventDefault(); step(1); return; }
    if (key === 'ArrowUp' || key === 'ArrowLeft') { event.preventDefault(); step(-1); return; }
    if (key === 'PageUp') { event.preventDefault(); if (onButton) at.click(); else step(1); return; }
    if (key === 'Enter' && !onButton) {
      const lead = document.querySelector('.lead');
      if (lead) { event.preventDefault(); lead.click(); }
      return;
    }
    if (key >= '1' && key <= '9' && card.question && !card.paused) {
      const list = main.querySelectorAll('.answers button');
      if (['steps', 'choose'].includes(card.question.input) && list[key - 1]) list[key - 1].click();
      return;
    }
    if (key === 'p') act(card.paused ? 'continue' : 'pause');
    else if (key === 'r' && card.question && card.question.rattles) toggleRattles();
    else if (key === '+' || key === '=') { const louder = main.querySelector('[data-k="louder"]'); if (louder) louder.click(); }
    else if (COMMANDS[key]) act(COMMANDS[key]);
  });

  // --- keeping the screen on -------------------------------------------------------------------------------------

  let lock = null, awake = null;

  async function keepAwake() {
    if (document.visibilityState !== 'visible') return;
    if (isSecureContext && navigator.wakeLock) {
      if (lock && !lock.released) return;
      try { lock = await navigator.wakeLock.request('screen'); canWake = true; return; } catch { /* the other way */ }
    }
    // Without a secure context only a playing video keeps a screen on: one flat picture, behind everything.
    try {
      if (!awake) {
        const canvas = el('canvas', { width: 16, height: 16 }), pen = canvas.getContext('2d');
        awake = el('video', { id: 'awake', muted: true, loop: true, playsinline: true, 'aria-hidden': 'true', tabindex: '-1' });
        awake.muted = true;
        awake.srcObject = canvas.captureStream(2);
        setInterval(() => { pen.fillStyle = getComputedStyle(document.body).color; pen.fillRect(0, 0, 16, 16); }, 500);
        document.body.append(awake);
      }
      await awake.play();
      canWake = true;
    } catch {
      canWake = false;
      drawn = '';
      draw();
    }
  }

  addEventListener('pointerup', keepAwake);
  addEventListener('keyup', keepAwake);

  // --- life ------------------------------------------------------------------------------------------------------

  const wide = matchMedia('(min-width: 900px) and (min-height: 561px)');
  wide.addEventListener('change', () => { send({ desk: wide.matches }); drawDesk(); });
  let touched = -1e9;
  $('stop').addEventListener('pointerdown', () => { touched = performance.now(); stop(); });
  // A key or a screen reader clicks without touching.
  $('stop').addEventListener('click', () => { if (performance.now() - touched > 1000) stop(); });

  document.addEventListener('visibilitychange', () => {
    if (document.visibilityState !== 'visible') return;
    // What the page shows may be old: it counts again once the laptop has spoken.
    if (performance.now() - heard > 1500) { lose(); again(); }
    else alive();
    keepAwake();
  });
  addEventListener('online', again);
  addEventListener('pageshow', (event) => { if (event.persisted) again(); });

  setInterval(alive, 1000);
  setInterval(() => {
    const now = performance.now();
    if (inTouch && now - heard > SILENCE_MS) { lose(); again(); }
    if (pending && now - pending.at > WRITTEN_WITHIN_MS) {
      pending = null;
      slip = 'no word from the laptop; answer again.';
      draw();
    }
  }, 250);

  connect();
})();
