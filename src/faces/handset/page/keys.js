// Keys: a keyboard or a page-turner.

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
    const list = main.querySelectorAll('.pick button');
    if (list[key - 1]) list[key - 1].click();
    return;
  }
  if (key === 'p') act(card.paused ? 'continue' : 'pause');
  else if (key === 'r' && card.question && card.question.rattles) toggleRattles();
  else if (key === '+' || key === '=') { const louder = main.querySelector('[data-k="louder"]'); if (louder) louder.click(); }
  else if (COMMANDS[key]) act(COMMANDS[key]);
});
