// The map that answers a touch. Plain script, no network; every text goes in as text, never as markup.
(() => {
  'use strict';
  const D = JSON.parse(document.getElementById('page-data').textContent);
  const $ = id => document.getElementById(id);
  const COLS = D.load.length, ROWS = D.rpm.length;
  const [LOG, START, END, RPM, LOAD, LOGGED, NOW, GAP, USED] = [0, 1, 2, 3, 4, 5, 6, 7, 8];
  const NS = new Range().createContextualFragment('<' + 'svg/>').firstChild.namespaceURI;  // no address is written out
  const FAR = 14;  // percent from the chosen hold that the plot over time shows
  const DASH = '\u2013', MINUS = '\u2212';
  const state = { cell: -1, hold: -1, view: 0 };

  const make = (tag, attrs, ...kids) => fill(document.createElement(tag), attrs, kids);
  const draw = (tag, attrs, ...kids) => fill(document.createElementNS(NS, tag), attrs, kids);
  function fill(el, attrs, kids) {
    for (const [name, value] of Object.entries(attrs || {})) {
      if (value === null || value === undefined || value === false) continue;
      if (name === 'on') for (const [kind, fn] of Object.entries(value)) el.addEventListener(kind, fn);
      else el.setAttribute(name, value === true ? '' : value);
    }
    el.append(...kids.filter(kid => kid !== null));
    return el;
  }
  const shown = (x, digits = 1) => {
    if (x === null) return DASH;
    const text = Math.abs(x).toFixed(digits);
    const isZero = Number(text) === 0;
    return (isZero ? '' : x > 0 ? '+' : MINUS) + text;
  };
  const size = (x, digits = 1) => x === null ? DASH : x.toFixed(digits);
  const place = cell => `${D.rpm[Math.floor(cell / COLS)]} rpm, ${D.load[cell % COLS]} ${D.unit}`;
  const clock = s => { const m = Math.floor(s / 60); return `${m}:${String(Math.floor(s - 60 * m)).padStart(2, '0')}`; };
  const counted = (n, one) => `${n || 'no'} ${one}${n === 1 ? '' : 's'}`;
  const side = x => x > 0 ? 'leaner' : 'richer';
  const off = x => Math.abs(x) < 0.05 ? 'At target' : `${size(Math.abs(x))} % ${side(x)} than target`;
  const isUnsafe = x => x * D.unsafe > 0 && !(D.kind === 'floor' && x > 0);
  const cellsOf = hold => D.cells.flatMap((one, cell) => one.holds.includes(hold) ? [cell] : []);
  const mainCell = hold => {  // the cell that takes most of the hold
    const near = (values, x) => values.reduce((best, v, i) => Math.abs(v - x) < Math.abs(values[best] - x) ? i : best, 0);
    return near(D.rpm, D.holds[hold][RPM]) * COLS + near(D.load, D.holds[hold][LOAD]);
  };

  // ---- the map
  const table = $('live-map'), tds = [];
  function buildMap() {
    const head = make('tr', { role: 'row' }, make('th', { scope: 'col', role: 'columnheader' }, table.dataset.corner));
    D.load.forEach(load => head.append(make('th', { scope: 'col', role: 'columnheader' }, String(load))));
    const body = make('tbody', { role: 'rowgroup' });
    D.rpm.forEach((rpm, r) => {
      const row = make('tr', { role: 'row' }, make('th', { scope: 'row', role: 'rowheader' }, String(rpm)));
      D.load.forEach((_, c) => {
        const cell = r * COLS + c, one = D.cells[cell];
        const left = c > 0 ? D.cells[cell - 1] : null, above = r > 0 ? D.cells[cell - COLS] : null;
        const edge = [left && left.boost !== one.boost ? 'boost-left' : '', above && above.boost !== one.boost ? 'boost-top' : ''];
        const td = make('td', { role: 'gridcell', tabindex: -1, 'data-cell': cell, 'data-edge': edge.join(' ').trim() || null });
        tds.push(td);
        row.append(td);
      });
      body.append(row);
    });
    table.append(make('thead', { role: 'rowgroup' }, head), body);
    table.addEventListener('click', event => { const td = event.target.closest('td'); if (td) choose(Number(td.dataset.cell), { focus: true, reveal: true }); });
    table.addEventListener('pointerover', event => { const td = event.target.closest('td'); hintHolds(td ? D.cells[td.dataset.cell].holds : []); });
    table.addEventListener('pointerleave', () => hintHolds([]));
    table.addEventListener('focusin', event => { const td = event.target.closest('td'); if (td) roam(Number(td.dataset.cell)); });
    table.addEventListener('keydown', onKey);
    tds[0].tabIndex = 0;
  }
  function onKey(event) {
    const td = event.target.closest('td');
    if (!td) return;
    const cell = Number(td.dataset.cell), row = Math.floor(cell / COLS), col = cell % COLS;
    const to = { ArrowLeft: [row, col - 1], ArrowRight: [row, col + 1], ArrowUp: [row - 1, col], ArrowDown: [row + 1, col],
      Home: [event.ctrlKey ? 0 : row, 0], End: [event.ctrlKey ? ROWS - 1 : row, COLS - 1] }[event.key];
    if (to) {
      const r = Math.min(Math.max(to[0], 0), ROWS - 1), c = Math.min(Math.max(to[1], 0), COLS - 1);
      tds[r * COLS + c].focus();
    } else if (event.key === 'Enter' || event.key === ' ') choose(cell);
    else if (event.key === 'Escape') choose(-1);
    else return;
    event.preventDefault();
  }
  function roam(cell) { tds.forEach((td, i) => { td.tabIndex = i === cell ? 0 : -1; }); }
  function paint() {
    const view = D.views[state.view];
    tds.forEach((td, cell) => {
      const [text, tone, mark, note] = view.cells[cell];
      td.className = [tone && `tone-${tone}`, td.dataset.edge, cell === state.cell && 'chosen'].filter(Boolean).join(' ');
      td.setAttribute('aria-selected', String(cell === state.cell));
      td.replaceChildren(make('span', { class: 'value' }, text), make('span', { class: 'mark', 'aria-hidden': 'true' }, mark),
        note ? make('span', { class: 'unseen' }, ` ${note}`) : '');
    });
    $('view-note').textContent = view.note;
  }
  function buildSwitch() {
    const box = $('views');
    D.views.forEach((view, i) => {
      const input = make('input', { type: 'radio', name: 'view', value: view.name, id: `view-${view.name}`, checked: i === 0,
        on: { change: () => { state.view = i; paint(); } } });
      box.append(make('span', { class: 'choice' }, input, make('label', { for: `view-${view.name}` }, view.label)));
    });
  }

  // ---- what is chosen
  function choose(cell, { focus = false, reveal = false, hold = null } = {}) {
    state.cell = cell;
    state.hold = hold !== null ? hold : cell >= 0 && D.cells[cell].holds.length ? D.cells[cell].holds[0] : -1;
    paint();
    if (cell >= 0) roam(cell);
    if (focus && cell >= 0) tds[cell].focus({ preventScroll: true });
    showCell();
    markHolds();
    const panel = $('panel');
    if (reveal && cell >= 0 && panel.getBoundingClientRect().top > innerHeight - 120) {
      $('panel-title').scrollIntoView({ block: 'center', behavior: matchMedia('(prefers-reduced-motion: reduce)').matches ? 'auto' : 'smooth' });
    }
  }
  function chooseHold(hold, cell = null) {
    const fits = state.cell >= 0 && D.cells[state.cell].holds.includes(hold);
    choose(cell !== null ? cell : fits ? state.cell : mainCell(hold), { hold });
  }
  function hintHolds(holds) { marks.forEach((mark, i) => mark.classList.toggle('hint', holds.includes(i))); }
  function hintCells(cells) { tds.forEach((td, i) => td.classList.toggle('hint', cells.includes(i))); }

  function summary(one) {
    if (one.target === null) return 'Left alone: no target here.';
    if (one.dev !== null) return `${off(one.dev)}, 95 % interval ${shown(one.low)} to ${shown(one.high)} %; ${one.confidence} confidence.`;
    if (one.low !== null) return `More than ${size(Math.abs(one.low))} % leaner than target: beyond the sensor's range.`;
    if (one.high !== null) return `More than ${size(Math.abs(one.high))} % richer than target: beyond the sensor's range.`;
    return 'No evidence: nothing is known of this cell.';
  }
  function showCell() {
    const cell = state.cell, body = $('panel-body');
    if (cell < 0) {
      $('panel-title').textContent = 'No cell chosen';
      $('panel-summary').textContent = 'Tap or click a cell, or go there with the arrow keys and press Enter.';
      body.replaceChildren();
      drawTrace();
      return;
    }
    const one = D.cells[cell];
    $('panel-title').textContent = place(cell) + (one.boost ? ', in boost' : '');
    $('panel-summary').textContent = `${summary(one)} Near it: ${counted(one.count, 'hold')}, ${counted(one.samples, 'sample')}.`;
    const limits = [size(one.target, 3), one.rich !== null && `no richer than ${size(one.rich, 3)}`, one.lean !== null && `no leaner than ${size(one.lean, 3)}`].filter(Boolean).join('; ');
    body.replaceChildren(steps(one), one.target === null ? '' : paragraph('Target lambda', limits), interval(one), paragraph('Why', one.why), paragraph('What would make it surer', one.surer), holdTable(one));
    drawTrace();
  }
  function paragraph(name, words) { return make('p', {}, make('strong', {}, `${name}: `), words); }
  function steps(one) {
    const row = (name, ...values) => make('tr', {}, make('th', { scope: 'row' }, name), ...values.map(v => make('td', { class: 'number' }, v)));
    return make('table', { class: 'steps' },
      make('thead', {}, make('tr', {}, ...['', 'before', 'step', 'after'].map(v => v ? make('th', { scope: 'col', class: 'number' }, v) : make('td', {})))),
      make('tbody', {},
        row('Grid, %', shown(one.now), shown(one.step), shown(one.grid)),
        row('From target, %', shown(one.dev), '', shown(one.expected)),
        row('Lambda', size(one.before, 3), '', size(one.after, 3))));
  }

  // ---- the interval, with the holds that make it
  function interval(one) {
    const box = make('div', { class: 'plot' });
    if (one.low === null || one.high === null) return box;
    const values = one.holds.map(h => D.holds[h][NOW]).filter(x => x !== null);
    const w = Math.max($('panel').clientWidth - 34, 240), h = 100, pad = 14;
    let reach = Math.max(2, ...[one.low, one.high, ...values].map(Math.abs)) * 1.1;
    const x = v => pad + (v + reach) / (2 * reach) * (w - 2 * pad);
    const svg = draw('svg', { width: w, height: h, role: 'img', 'aria-label': `Interval ${shown(one.low)} to ${shown(one.high)} % with ${counted(values.length, 'hold')}` });
    svg.append(draw('rect', { class: 'near', x: x(-D.tolerance), y: 8, width: x(D.tolerance) - x(-D.tolerance), height: 62 }),
      draw('line', { class: 'axis', x1: pad, x2: w - pad, y1: 70, y2: 70 }), draw('line', { class: 'zero', x1: x(0), x2: x(0), y1: 6, y2: 74 }));
    const step = [0.5, 1, 2, 5, 10, 20, 50].find(s => reach / s <= 4) || 100;
    for (let v = -Math.floor(reach / step) * step; v <= reach; v += step) {
      svg.append(draw('text', { x: x(v), y: 90, 'text-anchor': 'middle' }, shown(v, step < 1 ? 1 : 0)));
    }
    values.forEach(v => svg.append(draw('circle', { class: 'dot', cx: x(v), cy: 24, r: 3.5 })));
    svg.append(draw('line', { class: 'whisker', x1: x(one.low), x2: x(one.high), y1: 50, y2: 50 }),
      draw('line', { class: 'whisker', x1: x(one.low), x2: x(one.low), y1: 44, y2: 56 }), draw('line', { class: 'whisker', x1: x(one.high), x2: x(one.high), y1: 44, y2: 56 }));
    if (one.dev !== null) svg.append(draw('circle', { class: 'mean', cx: x(one.dev), cy: 50, r: 5 }));
    box.append(svg, make('p', { class: 'key' }, 'Percent from target with the grid in force. Small dots: the holds near; bar: the cell with its 95 % interval.'));
    return box;
  }

  // ---- the holds of the cell
  function holdTable(one) {
    if (!D.holds.length) return paragraph('Holds', $('panel').dataset.noHolds);
    if (!one.holds.length) return paragraph('Holds', 'none near this cell.');
    const head = ['hold', 'rpm', D.unit, 'off target %', 'off fit %'];
    const body = make('tbody', {});
    for (const h of one.holds) {
      const hold = D.holds[h];
      const button = make('button', { type: 'button', 'aria-pressed': String(h === state.hold), on: { click: () => { chooseHold(h, state.cell); const next = document.querySelector(`[data-hold="${h}"] button`); if (next) next.focus(); } } },
        `${clock(hold[START])}${DASH}${clock(hold[END])}`);
      const log = make('span', { class: 'key' }, hold[LOG]);
      body.append(make('tr', { 'data-hold': h, class: h === state.hold ? 'chosen' : null, on: { pointerenter: () => hintHolds([h]), pointerleave: () => hintHolds([]) } },
        make('th', { scope: 'row' }, button, log), ...[hold[RPM], hold[LOAD]].map(v => make('td', { class: 'number' }, String(v))),
        make('td', { class: 'number' }, shown(hold[NOW])), make('td', { class: 'number' }, hold[USED] ? shown(hold[GAP]) : 'set aside')));
    }
    return make('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': 'Holds near this cell' },
      make('table', { class: 'holds' }, make('thead', {}, make('tr', {}, ...head.map((v, i) => make('th', { scope: 'col', class: i ? 'number' : null }, v)))), body));
  }

  // ---- samples over time
  function windowOf(cell) {
    if (state.hold >= 0) { const hold = D.holds[state.hold], around = Math.max(20, hold[END] - hold[START]); return [hold[LOG], hold[START] - around, hold[END] + around]; }
    let best = null;  // the first time that the samples come nearest to the cell
    for (const [name, [t, rpm, load]] of Object.entries(D.trace.logs)) t.forEach((time, i) => {
      const far = Math.hypot((rpm[i] - D.rpm[Math.floor(cell / COLS)]) / (D.rpm[ROWS - 1] - D.rpm[0]), (load[i] / 10 - D.load[cell % COLS]) / (D.load[COLS - 1] - D.load[0]));
      if (best === null || far < best[0]) best = [far, name, time / 10];
    });
    return best && best[0] < 0.05 ? [best[1], best[2] - 25, best[2] + 25] : null;
  }
  function drawTrace() {
    const box = $('trace'), cell = state.cell, key = $('trace-key');
    box.replaceChildren();
    const span = cell >= 0 ? windowOf(cell) : null, log = span && D.trace.logs[span[0]];
    $('trace-title').textContent = span ? `Samples over time: ${span[0]}` : 'Samples over time';
    if (!log) { key.textContent = cell < 0 ? 'Choose a cell.' : Object.keys(D.trace.logs).length ? 'No samples near this cell.' : $('panel').dataset.noTrace; return; }
    const [t, , , dev, fate] = log, from = span[1], to = span[2];
    const at = t.flatMap((time, i) => time / 10 >= from && time / 10 <= to ? [i] : []);
    const holds = D.holds.flatMap((hold, h) => hold[LOG] === span[0] && hold[END] >= from && hold[START] <= to ? [h] : []);
    const w = Math.max(box.clientWidth, 260), h = 230, left = 40, bottom = 44, top = 8;
    const values = [...at.map(i => dev[i]).filter(v => v !== null).map(v => v / 100), ...holds.map(i => D.holds[i][LOGGED]), 0].sort((a, b) => a - b);
    const middle = state.hold >= 0 ? D.holds[state.hold][LOGGED] : 0;  // what is far from the chosen hold is cut at the edge
    const low = Math.min(middle - 2, Math.max(values[Math.floor(0.02 * (values.length - 1))] - 1, middle - FAR));
    const high = Math.max(middle + 2, Math.min(values[Math.ceil(0.98 * (values.length - 1))] + 1, middle + FAR));
    const x = s => left + (s - from) / (to - from) * (w - left - 8);
    const y = v => top + (high - Math.min(Math.max(v, low), high)) / (high - low) * (h - top - bottom);
    const svg = draw('svg', { width: w, height: h, role: 'img', 'aria-label': `Percent from target as logged, ${clock(Math.max(from, 0))} to ${clock(to)}, ${counted(holds.length, 'hold')}` });
    const step = [1, 2, 5, 10, 20, 50].find(s => (high - low) / s <= 6) || 100;
    for (let v = Math.ceil(low / step) * step; v <= high; v += step) {
      svg.append(draw('line', { class: v === 0 ? 'zero' : 'grid', x1: left, x2: w - 8, y1: y(v), y2: y(v) }), draw('text', { x: left - 6, y: y(v) + 4, 'text-anchor': 'end' }, shown(v, 0)));
    }
    for (let s = Math.ceil(Math.max(from, 0) / 10) * 10; s <= to; s += 10) svg.append(draw('text', { x: x(s), y: h - 4, 'text-anchor': 'middle' }, clock(s)));
    for (const i of holds) svg.append(draw('rect', { class: `held${i === state.hold ? ' chosen' : ''}`, x: x(Math.max(D.holds[i][START], from)), y: top, width: Math.max(x(Math.min(D.holds[i][END], to)) - x(Math.max(D.holds[i][START], from)), 2), height: h - top - bottom }));
    const runs = [];  // stretches of one fate, in the lane below
    at.forEach(i => { const last = runs[runs.length - 1], time = t[i] / 10; if (last && last.fate === fate[i] && time - last.to < 3) last.to = time; else { if (last && time - last.to < 3) last.to = time; runs.push({ fate: fate[i], from: time, to: time }); } });
    const letters = [...new Set(runs.map(run => run.fate))].filter(f => D.trace.fates[f][0] !== 'used');
    for (const run of runs) {
      const isUsed = D.trace.fates[run.fate][0] === 'used', a = x(Math.max(run.from, from)), b = x(Math.min(run.to, to));
      svg.append(draw('rect', { class: isUsed ? 'lane used' : 'lane out', x: a, y: h - bottom + 6, width: Math.max(b - a, 1.5), height: 16 }));
      if (!isUsed && b - a > 9) svg.append(draw('text', { class: 'letter', x: (a + b) / 2, y: h - bottom + 18, 'text-anchor': 'middle' }, String.fromCharCode(97 + letters.indexOf(run.fate))));
    }
    for (const i of at) {
      if (dev[i] === null) continue;
      const isUsed = D.trace.fates[fate[i]][0] === 'used';
      svg.append(draw('circle', { class: isUsed ? 'sample used' : 'sample', cx: x(t[i] / 10), cy: y(dev[i] / 100), r: isUsed ? 2.6 : 2.2 }));
    }
    for (const i of holds) svg.append(draw('line', { class: 'level', x1: x(Math.max(D.holds[i][START], from)), x2: x(Math.min(D.holds[i][END], to)), y1: y(D.holds[i][LOGGED]), y2: y(D.holds[i][LOGGED]) }));
    box.append(svg);
    const words = letters.map(f => `${String.fromCharCode(97 + letters.indexOf(f))} ${D.trace.fates[f][1]}`).join('; ');
    key.textContent = `Percent from target as logged, + leaner; time as minutes and seconds. Shaded: holds, with their value as a bar. Lane below: filled in holds${words ? `, left out of them: ${words}` : ''}.`;
  }

  // ---- all holds by speed and load
  let marks = [];
  function drawScatter() {
    const box = $('scatter');
    marks = [];
    box.replaceChildren();
    if (!D.holds.length) return;
    const w = Math.max(box.clientWidth, 260), h = Math.min(380, Math.max(260, w * 0.6)), left = 48, bottom = 36, top = 8;
    const scale = (values, a, b) => { const lo = values[0], hi = values[values.length - 1], room = 0.04 * (hi - lo); return v => a + (v - lo + room) / (hi - lo + 2 * room) * (b - a); };
    const x = scale(D.load, left, w - 8), y = scale(D.rpm, top, h - bottom);
    const svg = draw('svg', { width: w, height: h, role: 'group', 'aria-label': 'All holds by speed and load' });
    let lastX = -99, lastY = -99;
    D.load.forEach(v => { svg.append(draw('line', { class: 'grid', x1: x(v), x2: x(v), y1: top, y2: h - bottom })); if (x(v) - lastX > 30) { svg.append(draw('text', { x: x(v), y: h - 20, 'text-anchor': 'middle' }, String(v))); lastX = x(v); } });
    D.rpm.forEach(v => { svg.append(draw('line', { class: 'grid', x1: left, x2: w - 8, y1: y(v), y2: y(v) })); if (y(v) - lastY > 15) { svg.append(draw('text', { x: left - 6, y: y(v) + 4, 'text-anchor': 'end' }, String(v))); lastY = y(v); } });
    svg.append(draw('text', { x: (left + w) / 2, y: h - 4, 'text-anchor': 'middle' }, table.dataset.loadName));
    D.holds.forEach((hold, i) => {
      const gap = hold[GAP], [a, b] = [x(hold[LOAD]), y(hold[RPM])];
      const isFar = gap !== null && Math.abs(gap) > 1, up = gap > 0;
      const shape = !isFar ? draw('circle', { cx: a, cy: b, r: 4 }) : draw('path', { d: up ? `M${a} ${b - 6}l6 10h-12z` : `M${a} ${b + 6}l6 -10h-12z` });
      shape.setAttribute('class', `shape ${!hold[USED] ? 'aside' : isFar ? isUnsafe(gap) ? 'unsafe' : 'safe' : 'fits'}`);
      const words = `${hold[RPM]} rpm, ${hold[LOAD]} ${D.unit}: ${gap === null ? 'set aside' : `${shown(gap)} % from the fit`}, ${hold[LOG]} at ${clock(hold[START])}`;
      const mark = draw('g', { class: 'hold', role: 'button', tabindex: i ? -1 : 0, 'aria-label': words,
        on: { click: () => chooseHold(i), pointerenter: () => { hintCells(cellsOf(i)); tip(words); }, pointerleave: () => { hintCells([]); tip(''); }, focus: () => { hintCells(cellsOf(i)); tip(words); }, blur: () => hintCells([]),
          keydown: event => {
            const to = { ArrowRight: i + 1, ArrowDown: i + 1, ArrowLeft: i - 1, ArrowUp: i - 1, Home: 0, End: D.holds.length - 1 }[event.key];
            if (event.key === 'Enter' || event.key === ' ') chooseHold(i);
            else if (event.key === 'Escape') choose(-1);
            else if (to !== undefined && marks[to]) { marks.forEach((m, n) => m.setAttribute('tabindex', n === to ? 0 : -1)); marks[to].focus(); }
            else return;
            event.preventDefault();
          } } }, draw('circle', { class: 'room', cx: a, cy: b, r: 12 }), shape);
      marks.push(mark);
      svg.append(mark);
    });
    box.append(svg);
    markHolds();
  }
  function markHolds() {
    const mine = state.cell >= 0 ? D.cells[state.cell].holds : [];
    marks.forEach((mark, i) => { mark.classList.toggle('mine', mine.includes(i)); mark.classList.toggle('chosen', i === state.hold); });
  }
  function tip(words) { $('scatter-tip').textContent = words || $('scatter-tip').dataset.rest; }

  // ---- start
  buildSwitch();
  buildMap();
  document.querySelectorAll('[data-go]').forEach(link => link.addEventListener('click', () => choose(Number(link.dataset.go), { focus: true })));
  for (const el of document.querySelectorAll('.still')) el.hidden = true;
  $('live').hidden = false;
  let watched = 0;  // on paper: the deviation, and no cell chosen
  addEventListener('beforeprint', () => { watched = state.view; state.view = 0; paint(); });
  addEventListener('afterprint', () => { state.view = watched; paint(); });
  drawScatter();
  tip('');
  choose(Number($('live').dataset.first));
  let width = innerWidth;
  addEventListener('resize', () => { if (innerWidth !== width) { width = innerWidth; drawScatter(); showCell(); } });
  addEventListener('beforeprint', () => document.querySelectorAll('details').forEach(el => { el.dataset.was = el.open; el.open = true; }));
  addEventListener('afterprint', () => document.querySelectorAll('details').forEach(el => { el.open = el.dataset.was === 'true'; }));
})();
