// One switch for every number on the page. The controller speaks litres, kPa, kilograms, metres; this is the only converter. Numbers
// are written as the reader's language does; without a mark of thousands, so that each can be typed again as it stands.

const SYSTEMS = {
  us: { volume: [1 / 3.785411784, 'gal'], pressure: [1 / 6.894757293168361, 'psi'], mass: [1 / 0.45359237, 'lb'],
        flow: [60 / 3.785411784, 'gpm'], temperature: [1.8, '°F', 32], length: [1 / 0.0254, 'in'] },
  kpa: { volume: [1, 'L'], pressure: [1, 'kPa'], mass: [1, 'kg'], flow: [60, 'L/min'], temperature: [1, '°C', 0], length: [1000, 'mm'] },
  bar: { volume: [1, 'L'], pressure: [0.01, 'bar'], mass: [1, 'kg'], flow: [60, 'L/min'], temperature: [1, '°C', 0], length: [1000, 'mm'] },
};
const DIGITS = { gal: 1, psi: 1, lb: 0, gpm: 1, '°F': 0, L: 1, kPa: 0, bar: 2, kg: 0, 'L/min': 1, '°C': 0 };
const KEPT = 'rig-units';

let system = 'us';

export const language = document.documentElement.lang;
export const names = Object.keys(SYSTEMS);
export const chosen = () => system;

export function choose(name, keep = true) {
  system = SYSTEMS[name] ? name : 'us';
  if (keep) localStorage.setItem(KEPT, system);
}

export function recall(fallback) {
  choose(localStorage.getItem(KEPT) || fallback, false);
}

export const unit = (kind) => SYSTEMS[system][kind][1];
export const unitsOf = (name) => `${SYSTEMS[name].volume[1]}, ${SYSTEMS[name].pressure[1]}`;

export function converted(value, kind) {
  const [factor, , offset = 0] = SYSTEMS[system][kind];
  return value * factor + offset;
}

const formats = new Map();

function format(options) {
  const key = JSON.stringify(options);
  if (!formats.has(key)) formats.set(key, new Intl.NumberFormat(language, { useGrouping: false, ...options }));
  return formats.get(key);
}

export const point = format({ minimumFractionDigits: 1 }).formatToParts(0).find(({ type }) => type === 'decimal').value;

// A number with so many decimals; what rounds to nothing has no sign.
export function number(value, digits = 0) {
  const nought = Number(value.toFixed(digits)) === 0;
  return format({ minimumFractionDigits: digits, maximumFractionDigits: digits }).format(nought ? 0 : value);
}

// A decimal number that came as text, to its last digit.
export const written = (text) => String(text).replace('.', point);

// A number as it is, in at most six digits.
export const plain = (value) => format({ maximumSignificantDigits: 6 }).format(value);

// The number alone; what is not known is a dash, never a nought.
export function bare(value, kind, digits = DIGITS[unit(kind)]) {
  return value === null || value === undefined ? '–' : number(converted(value, kind), digits);
}

export const shown = (value, kind, digits) => `${bare(value, kind, digits)} ${unit(kind)}`;
