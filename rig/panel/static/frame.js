// The band on top of every screen: what the rig does, by colour, shape and word, and whose hands it is in.

import { h, s } from './dom.js';
import { me } from './net.js';
import { known, t } from './words.js';

// Told apart by their outlines alone: an arrow head, two bars, a raised disc, a square, a tick, a broken ring.
const SHAPES = {
  pump: ['M20 8l30 24-30 24z'],
  rest: ['M14 10h12v44h-12z', 'M38 10h12v44h-12z'],
  yours: ['M32 6a26 26 0 1 0 .1 0zM28 16h8v20h-8zM28 42h8v8h-8z'],
  stopped: ['M8 8h48v48h-48z'],
  done: ['M6 34l9-9 12 12 23-25 9 9-32 34z'],
  lost: ['M6 20l8-12 12 8-8 6zM38 8l14 4 4 14-10 2zM58 36l-6 16-12-4 6-12zM28 58l-16-4-4-14 10 0z'],
  idle: ['M32 14a18 18 0 1 0 .1 0zM32 22a10 10 0 1 1-.1 0z'],
};
const MOVES = { pump_run: 'in', pump_reverse: 'out', vent_valve: 'air' };
const STOPPING = ['holding', 'stopping', 'aborting'];

// The step of a fill in the trade's words.
export function stepOf(fill) {
  if (fill.state !== 'running') return t(`state.${fill.state}`);
  return t(`step.${fill.cooling_s === null ? fill.phase : 'cooling'}`);
}

function ofFill(fill) {
  if (fill.cannot && !fill.cannot.supply_cut) return ['stopped', 'may_be_on'];
  if (fill.state === 'aborted') return ['stopped', 'stopped'];
  if (STOPPING.includes(fill.state)) return ['stopped', 'stopping'];
  if (fill.state === 'held') return ['yours', 'held'];
  if (fill.state === 'idle') return ['yours', 'ready'];
  if (fill.prompt) return ['yours', fill.phase === 'by-hand' ? 'by_hand' : 'hands'];
  const moving = fill.outputs.find((name) => name in MOVES);
  return moving ? ['pump', MOVES[moving]] : ['rest', 'rest'];
}

function stateOf(app) {
  const { picture } = app;
  if (app.stale || !picture) return ['lost', 'lost'];
  if (picture.fill) return ofFill(picture.fill);
  if (picture.live.unasked) return ['stopped', 'unasked'];
  if (picture.look) return picture.look.prompt ? ['yours', 'hands'] : picture.look.valve ? ['pump', 'look'] : ['rest', 'rest'];
  if (picture.proof?.asks) return ['yours', 'hands'];
  if (picture.busy) return ['rest', 'rest'];
  const { record } = picture;
  if (record && record.fill_id !== app.seenRecord) return record.outcome === 'complete' ? ['done', 'done'] : ['stopped', 'ended'];
  if (!picture.live.reachable) return ['lost', 'silent'];
  return app.asked && me.name ? ['yours', 'ready'] : ['idle', 'idle'];
}

// Who has the controls; nothing is said of it that a page without contact cannot know.
function whoText(app) {
  const driver = app.picture?.driver;
  if (app.stale || !app.picture) return t('who_not_known');
  if (!driver) return me.name ? t('you_look', { me: me.name }) : t('nobody_drives');
  if (driver.id === me.id) return t('you_drive', { name: me.name });
  return me.name ? t('other_drives_you', { name: driver.name, me: me.name }) : t('other_drives', { name: driver.name || t('somebody') });
}

// `key` changes when what it shows does.
export function bandOf(app) {
  const [kind, word] = stateOf(app);
  const fill = app.stale ? null : app.picture?.fill;
  const step = fill ? stepOf(fill) : '';
  const what = fill ? [fill.size, fill.position && known(`position.${fill.position}`, fill.position), fill.fluid, fill.job].filter(Boolean).join(' · ') : '';
  const who = whoText(app);
  const large = h('p', { class: 'word' }, t(`band.${word}`));
  large.style.setProperty('--letters', large.textContent.length);
  const build = () => h('div', { class: `band ${kind}`, 'data-part': 'state' },
    s('svg', { viewBox: '0 0 64 64', class: 'shape', 'aria-hidden': 'true' }, SHAPES[kind].map((d) => s('path', { d, 'fill-rule': 'evenodd' }))),
    h('div', { class: 'words' },
      large,
      h('p', { class: 'what' }, h('span', {}, step ? h('span', { id: 'step' }, step) : null, what ? ` · ${what}` : ''),
        app.rig?.simulated ? h('em', {}, t('simulated')) : null),
      h('p', { class: 'who' }, who, app.rig ? ` · ${app.rig.name}` : '')));
  return { key: JSON.stringify([kind, word, step, what, who, app.rig?.name]), word: large.textContent, build };
}

// The steps of the work in their order, and where it stands: done, now, to come.
const PLANS = {
  tyre: [['fill', 'settle', 'vent', 'draw-down', 'top-up'], ['shut'], ['back-flush'], ['uncouple']],
  tote: [['empty', 'settle'], ['uncouple']],
  hand: [['by-hand', 'settle'], ['uncouple']],
  'open vessel': [['fill', 'settle']],
};

export function beads(fill, byHand) {
  const plan = PLANS[byHand ? 'hand' : fill.into];
  const now = plan.findIndex((phases) => phases.includes(fill.phase));
  const name = (at) => (at < now ? 'past' : at === now ? 'now' : 'later');
  return h('ol', { class: 'plan' }, plan.map(([phase], at) =>
    h('li', { class: name(at), 'aria-current': at === now ? 'step' : null }, h('span', {}, t(`bead.${phase}`)))));
}
