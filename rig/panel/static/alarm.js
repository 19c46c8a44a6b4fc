// Sound and vibration: an alarm until somebody has heard it, a prompt now and then, an end or an answer once.
// Browsers stay mute until the page was touched once; nothing rests on being heard.

let context = null;
let quiet = '';
let current = '';
let timer = null;

const PATTERNS = {
  alarm: { tones: [[880, 0], [660, 0.22], [880, 0.44], [660, 0.66]], every: 2000, shake: [200, 100, 200, 100, 400] },
  prompt: { tones: [[520, 0], [780, 0.25]], every: 12000, shake: [120, 80, 120] },
  answer: { tones: [[660, 0], [880, 0.2]], every: 0, shake: [80, 60, 80] },
  done: { tones: [[523, 0], [659, 0.2], [784, 0.4]], every: 0, shake: [400] },
};

export function wake() {
  context ??= new AudioContext();
  if (context.state === 'suspended') context.resume();
}

export function ring(kind) {
  const { tones, shake } = PATTERNS[kind];
  navigator.vibrate?.(shake);
  if (!context || context.state !== 'running') return;
  for (const [frequency, after] of tones) {
    const tone = new OscillatorNode(context, { type: 'square', frequency });
    const loud = new GainNode(context, { gain: 0.25 });
    tone.connect(loud).connect(context.destination);
    tone.start(context.currentTime + after);
    tone.stop(context.currentTime + after + 0.18);
  }
}

// `what` names the occasion ("alarm:no_flow"); another one begins anew, none ends it.
export function sound(what) {
  if (what === current) return;
  current = what;
  clearInterval(timer);
  if (!what) return;
  quiet = quiet === what ? quiet : '';
  const kind = what.split(':')[0];
  ring(kind);
  if (PATTERNS[kind].every) timer = setInterval(() => quiet !== current && ring(kind), PATTERNS[kind].every);
}

export function hush() {
  quiet = current;
}

export const hushed = () => Boolean(current) && quiet === current;

// The screen stays on while a fill runs, where the browser can (over https); it lets go by itself when the page is hidden.
let lock = null;
let wanted = false;

export async function stayAwake(on) {
  wanted = on;
  if (!on) {
    lock?.release?.();
    lock = null;
  } else if (!lock && document.visibilityState === 'visible' && navigator.wakeLock) {
    lock = {};
    lock = await navigator.wakeLock.request('screen').catch(() => null);
    lock?.addEventListener('release', () => { lock = null; });
    if (!wanted) lock?.release();
  }
}
