// What the page knows, and small helpers. Everything here is drawn anew from the newest card.

const $ = (id) => document.getElementById(id);
const main = $('main'), news = $('news'), answers = $('answers'), tools = $('tools'), desk = $('desk');
const SILENCE_MS = 2500, RETRY_MS = 300, OPENS_WITHIN_MS = 1000, WRITTEN_WITHIN_MS = 3000, FRESH_MS = 250, PRESS_MS = 175,
  HELD_MS = 2000, CLICK_MS = 80, READ_MS = 4000, ANSWERED_WITHIN_MS = 600, POSTED_WITHIN_MS = 2500, STOP_IS_LATE_MS = 3000,
  RETRY_AT_MOST_MS = 2000;

let socket = null, card = null, plan = null, desks = null;
let inTouch = false, over = '', heard = 0, number = 0, failures = 0;
/* The screen that is drawn, and since when it is there; a thumb on it keeps the drawing still for a moment. */
let screen = '', shown = 0, thumb = -1e9, waiting = null;
let rattles = false, more = false, typed = '', slip = '', drawn = '', asked = null;
/* The answer on its way to the disk: which question, which button, since when. */
let pending = null;
/* A stop was refused because of who sent it. */
let unpaired = false;
let refusals = null, pressing = 0, raised = 0, told = '', canWake = null;

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

/** A text as its parts, so that no line ends between a figure and its unit. */
function words(text) {
  const parts = text.split(/(-?\d+(?:\.\d+)? (?:dBFS|dB|Hz|ms|cm|m|ft|%|degrees)(?![a-z]))/);
  return parts.map((part, at) => (at % 2 ? el('span', { class: 'figure' }, part) : part));
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
