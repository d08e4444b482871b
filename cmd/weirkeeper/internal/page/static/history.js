// Moves through what has been. Without it the page shows the same as a drawing.
'use strict';
(() => {
  const box = document.getElementById('history-plot');
  if (!box || !window.uPlot) return;
  const figure = box.closest('figure');
  const readout = document.getElementById('history-readout');
  const broken = document.getElementById('history-broken');
  const quantities = JSON.parse(box.dataset.quantities);
  const laneWords = JSON.parse(box.dataset.lanes);
  const words = JSON.parse(box.dataset.words);
  const probes = [...box.querySelectorAll('data')].map((d) => d.value);
  const zone = box.dataset.zone === 'Local' ? undefined : box.dataset.zone;
  const lang = document.documentElement.lang === 'en' ? 'en-GB' : document.documentElement.lang; // the day before the month
  const opened = performance.now();
  const now = () => Number(box.dataset.now) + (performance.now() - opened) / 1000;
  const least = 60, most = 3652 * 86400;
  const dashes = [[], [7, 3], [2, 3], [12, 3, 2, 3], [5, 5], [1, 5]];
  const lanes = ['alarm', 'cleaning', 'event'];
  const laneHeight = 18;

  let from = Number(box.dataset.from), to = Number(box.dataset.to);
  let data = null, plots = [], reading = null, freshening = null, readSoon = 0, freshenSoon = 0;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const clock = (options) => {
    const f = new Intl.DateTimeFormat(lang, { timeZone: zone, hourCycle: 'h23', ...options });
    return (s) => f.format(new Date(s * 1000));
  };
  const moment = clock({ day: 'numeric', month: 'short', year: 'numeric', hour: '2-digit', minute: '2-digit' });
  const minute = clock({ hour: '2-digit', minute: '2-digit' });
  const day = clock({ day: 'numeric', month: 'short' });
  const month = clock({ month: 'short' });
  const year = clock({ year: 'numeric' });
  const names = (_u, ticks, _axis, _space, step) => ticks.map((t) => {
    if (step < 86400) return minute(t) === '00:00' ? day(t) : minute(t);
    if (step < 28 * 86400) return day(t);
    return step >= 360 * 86400 || new Date(t * 1000 + 43200000).getUTCMonth() === 0 ? year(t) : month(t);
  });
  const query = (extra) => {
    const q = new URLSearchParams(probes.map((p) => ['probe', p]));
    for (const [k, v] of Object.entries(extra)) q.set(k, v);
    return q.toString();
  };
  const iso = (s) => new Date(Math.round(s) * 1000).toISOString().replace('.000Z', 'Z');

  // show moves to a range at once, and has its data read when it stays there.
  function show(a, b) {
    let length = Math.min(most, Math.max(least, b - a));
    const middle = (a + b) / 2, end = Math.max(now(), to);
    a = middle - length / 2;
    b = middle + length / 2;
    if (b > end) [a, b] = [end - length, end];
    from = a;
    to = b;
    for (const p of plots) p.setScale('x', { min: from, max: to });
    clearTimeout(readSoon);
    readSoon = setTimeout(read, 150);
  }
  const move = (share) => show(from + (to - from) * share, to + (to - from) * share);
  // zoom makes the range so many times as long; what is at a share of it stays.
  const zoom = (times, at = 0.5) => {
    const length = Math.min(most, Math.max(least, (to - from) * times)), fixed = from + (to - from) * at;
    show(fixed - length * at, fixed + length * (1 - at));
  };

  // read gets the range and as much again around it, so that there is something to
  // be seen while it is moved.
  async function read() {
    reading?.abort();
    const mine = reading = new AbortController();
    const around = (to - from) / 2;
    const step = Math.max(1, Math.round((to - from) / 64)); // so that the browser's cache can be of use
    const a = Math.floor((from - around) / step) * step, b = Math.ceil(Math.min(to + around, Math.max(now(), to)) / step) * step;
    const n = Math.min(2000, Math.max(100, Math.round(figure.clientWidth))); // two pixels each
    try {
      const answer = await fetch('/history.json?' + query({ from: iso(a), to: iso(b), n }), { signal: mine.signal });
      if (!answer.ok) throw new Error(await answer.text());
      data = await answer.json();
      broken.hidden = true;
      draw();
      clearTimeout(freshenSoon);
      freshenSoon = setTimeout(freshen, box.dataset.drawn ? 500 : 0);
      box.dataset.drawn = `${Math.round(from)} ${Math.round(to)}`;
    } catch (err) {
      if (mine.signal.aborted) return;
      broken.textContent = words.broken;
      broken.hidden = false;
      readSoon = setTimeout(read, 5000);
    }
  }

  // freshen brings the words, the figures and the drawing for the printer to the
  // range shown.
  let freshened = `${Math.round(from)} ${Math.round(to)}`;
  async function freshen() {
    const range = `${Math.round(from)} ${Math.round(to)}`;
    if (range === freshened) return;
    freshening?.abort();
    const mine = freshening = new AbortController();
    const link = '/history?' + query({ from: iso(from), to: iso(to) });
    try {
      const answer = await fetch(link, { signal: mine.signal, headers: { 'Weirkeeper-Part': 'main', Accept: 'text/html' } });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
      for (const id of ['history-range', 'history-still', 'history-figures', 'history-marks']) {
        const here = document.getElementById(id), there = page.getElementById(id);
        if (here && there) here.replaceChildren(...there.childNodes);
      }
      for (const a of page.querySelectorAll('[data-step], #history-csv, [id^="history-last-"]')) {
        const here = document.getElementById(a.id);
        if (here && here.tagName !== a.tagName) here.replaceWith(a);
        else if (here && a.href) here.href = a.getAttribute('href');
        if (a.id.startsWith('history-last-')) here?.removeAttribute('aria-current');
      }
      for (const id of ['history-from', 'history-to']) {
        const here = document.getElementById(id), there = page.getElementById(id);
        if (here && there && here !== document.activeElement) here.value = there.value;
      }
      document.getElementById('history-still').setAttribute('aria-label', page.getElementById('history-still').getAttribute('aria-label'));
      history.replaceState(null, '', link);
      freshened = box.dataset.fresh = range;
    } catch { /* the next move tries again */ }
  }

  function panels() {
    const all = [];
    for (const s of data.series) {
      let p = all.find((q) => q.quantity === s.quantity);
      if (!p) all.push(p = { quantity: s.quantity, unit: s.unit, of: [] });
      p.of.push(s);
    }
    return all;
  }

  // table gives the columns of one series, with a hole at each silence.
  function table(s) {
    const t = [], mean = [], low = [], high = [], breaks = new Set(s.breaks), line = s.quantity === 'contact' ? s.last : s.mean;
    s.t.forEach((at, i) => {
      if (breaks.has(i) && i > 0) {
        t.push((s.t[i - 1] + at) / 2);
        mean.push(null);
        low.push(null);
        high.push(null);
      }
      t.push(at);
      mean.push(line[i]);
      low.push(s.min[i]);
      high.push(s.max[i]);
    });
    return [t, mean, high, low];
  }

  // aligned brings the columns of a panel to common times. A silence of one probe is
  // one at each of the others' times in it.
  function aligned(panel) {
    const all = uPlot.join(panel.of.map(table));
    for (const column of all.slice(1)) {
      for (const [first, by] of [[0, 1], [column.length - 1, -1]]) {
        let hole = false;
        for (let i = first; i >= 0 && i < column.length; i += by) {
          if (column[i] === undefined) { if (hole) column[i] = null; } else hole = column[i] === null;
        }
      }
    }
    return all;
  }

  function range(panel) {
    if (panel.quantity === 'contact') return [-0.1, 1.1];
    let low = Infinity, high = -Infinity;
    for (const s of panel.of) {
      s.t.forEach((at, i) => {
        if (at >= from && at <= to) [low, high] = [Math.min(low, s.min[i]), Math.max(high, s.max[i])];
      });
    }
    if (low > high) [low, high] = [0, 1];
    const spread = Math.max(0.1 * Math.max(Math.abs(low), Math.abs(high)), 0.5, high - low);
    const [a, b] = [low - 2 * spread, high + 2 * spread];
    for (const s of panel.of) for (const p of s.setpoints) if (p.value >= a && p.value <= b) [low, high] = [Math.min(low, p.value), Math.max(high, p.value)];
    const rest = Math.max(0, spread - (high - low)) / 2 + 0.04 * (high - low);
    return [low - rest, high + rest];
  }

  function chart(panel, last) {
    const part = document.createElement('div'), head = document.createElement('p'), key = document.createElement('ul');
    head.className = 'head';
    head.textContent = quantities[panel.quantity] + (panel.unit ? ', ' + panel.unit : '');
    key.className = 'key';
    panel.of.forEach((s, n) => {
      const li = document.createElement('li');
      li.innerHTML = '<svg viewBox="0 0 36 12" aria-hidden="true"><path d="M0 6h36"/></svg>';
      li.querySelector('path').setAttribute('class', 'mean' + n);
      li.append(s.probe + (s.t.length ? '' : ': ' + words.nothing));
      key.append(li);
    });
    part.append(head, key);
    box.append(part);

    const contact = panel.quantity === 'contact';
    const series = [{}], bands = [];
    panel.of.forEach((_, n) => {
      const stroke = () => colour('--plot' + n), steps = contact ? uPlot.paths.stepped({ align: 1 }) : undefined;
      series.push({ scale: 'y', stroke, width: 1.6, dash: dashes[n], paths: steps, points: { show: alone, size: 4, fill: stroke } });
      const edge = { scale: 'y', show: !contact, stroke: 'transparent', width: 0, points: { show: false } };
      series.push(edge, { ...edge });
      if (!contact) bands.push({ series: [3 * n + 2, 3 * n + 3], fill: () => colour('--plot' + n) + '38' });
    });
    const ink = () => colour('--ink'), grid = { stroke: () => colour('--grid'), width: 1 };
    const font = '13px system-ui, sans-serif';
    const used = last ? lanes.filter((l) => data.marks.some((m) => m.lane === l)) : [];
    const plot = new uPlot({
      width: box.clientWidth, height: (contact ? 90 : 230) + used.length * laneHeight,
      padding: [10, 24, 0, 0],
      tzDate: (s) => (zone ? uPlot.tzDate(new Date(s * 1000), zone) : new Date(s * 1000)),
      legend: { show: false },
      cursor: { drag: { x: false, y: false, setScale: false }, points: { show: false }, sync: { key: 'history' }, y: false },
      scales: { x: { time: true, min: from, max: to, range: (_u, a, b) => [a, b] }, y: { range: () => range(panel) } },
      axes: [
        { stroke: ink, grid, ticks: grid, font, values: names, space: 70, size: 34 + used.length * laneHeight },
        { stroke: ink, grid, ticks: { show: false }, font, scale: 'y', size: 62, ...(contact ? { splits: () => [0, 1], values: () => [words.open, words.closed] } : {}) },
      ],
      series, bands,
      hooks: {
        drawClear: [(u) => shade(u, panel)],
        draw: [(u) => { setpoints(u, panel); rows(u, used); }],
        setCursor: [(u) => say(u)],
      },
    }, aligned(panel), part);
    plot.panel = panel;
    plots.push(plot);
  }

  // alone shows the points of readings that no line leads to.
  function alone(u, i) {
    const d = u.data[i];
    let [first, end] = u.series[0].idxs || [0, d.length - 1], found = false;
    const near = (k, by) => { do k += by; while (k >= 0 && k < d.length && d[k] === undefined); return d[k] ?? null; };
    for (let k = first; k <= end && !found; k++) found = d[k] != null && near(k, -1) === null && near(k, 1) === null;
    return found;
  }

  const x = (u, at) => u.valToPos(at, 'x', true);
  function shade(u, panel) {
    const { ctx } = u, { left, top, width, height } = u.bbox;
    ctx.save();
    ctx.fillStyle = colour('--during');
    for (const m of data.marks) {
      if (m.lane !== 'alarm' || m.to < from || m.from > to || !panel.of.some((s) => s.probe === m.probe)) continue;
      const a = Math.max(left, x(u, m.from)), b = Math.min(left + width, x(u, m.to));
      ctx.fillRect(a, top, Math.max(devicePixelRatio, b - a), height);
    }
    ctx.restore();
  }

  function setpoints(u, panel) {
    const { ctx } = u, { left, top, width, height } = u.bbox, px = devicePixelRatio, seen = new Set();
    ctx.save();
    ctx.strokeStyle = colour('--set');
    ctx.fillStyle = colour('--ink');
    ctx.lineWidth = 1.2 * px;
    ctx.font = `${12 * px}px system-ui, sans-serif`;
    ctx.textAlign = 'right';
    ctx.textBaseline = 'alphabetic';
    for (const s of panel.of) for (const p of s.setpoints) {
      const y = u.valToPos(p.value, 'y', true);
      if (y < top || y > top + height || seen.has(p.words)) continue;
      seen.add(p.words);
      ctx.setLineDash([9 * px, 3 * px, 2 * px, 3 * px]);
      ctx.beginPath();
      ctx.moveTo(left, y);
      ctx.lineTo(left + width, y);
      ctx.stroke();
      let at = p.least ? y - 5 * px : y + 14 * px;
      if (at < top + 12 * px) at = y + 14 * px;
      if (at > top + height - 2 * px) at = y - 5 * px;
      ctx.setLineDash([]);
      ctx.save();
      ctx.strokeStyle = colour('--paper');
      ctx.lineWidth = 3 * px;
      ctx.lineJoin = 'round';
      ctx.strokeText(p.words, left + width - 4 * px, at);
      ctx.restore();
      ctx.fillText(p.words, left + width - 4 * px, at);
    }
    ctx.restore();
  }

  // rows draws what happened below the axis, a row for each kind.
  function rows(u, used) {
    const { ctx } = u, { left, top, width, height } = u.bbox, px = devicePixelRatio;
    ctx.save();
    ctx.font = `${12 * px}px system-ui, sans-serif`;
    ctx.textBaseline = 'alphabetic';
    used.forEach((lane, n) => {
      const y = top + height + (34 + n * laneHeight) * px, high = 12 * px;
      ctx.fillStyle = colour('--ink');
      ctx.textAlign = 'right';
      ctx.fillText(laneWords[lane], left - 6 * px, y + 10 * px);
      ctx.strokeStyle = colour('--grid');
      ctx.strokeRect(left, y + high / 2, width, 0);
      ctx.fillStyle = colour(lane === 'event' ? '--quiet' : '--ink');
      ctx.strokeStyle = colour('--ink');
      ctx.lineWidth = 1.2 * px;
      for (const m of data.marks) {
        if (m.lane !== lane || m.to < from || m.from > to) continue;
        const a = Math.max(left, x(u, m.from)), b = Math.min(left + width, Math.max(x(u, m.to), x(u, m.from) + 3 * px));
        if (lane === 'cleaning') ctx.strokeRect(a, y, b - a, high);
        else ctx.fillRect(a, y, b - a, high);
      }
    });
    ctx.restore();
  }

  // say puts what is under the pointer into words.
  function say(u) {
    if (u.cursor.left == null || u.cursor.left < 0) return;
    const at = u.posToVal(u.cursor.left, 'x'), slack = (to - from) / 60, lines = [moment(at)];
    for (const s of data.series) {
      let best = -1;
      s.t.forEach((t, i) => { if (best < 0 || Math.abs(t - at) < Math.abs(s.t[best] - at)) best = i; });
      if (best < 0 || Math.abs(s.t[best] - at) > slack) continue;
      if (s.quantity === 'contact') { lines.push(`${s.probe}: ${s.last[best] ? words.closed : words.open}`); continue; }
      const number = (v) => v.toLocaleString(lang, { maximumFractionDigits: 2 });
      lines.push(`${s.probe}: ${number(s.mean[best])} ${s.unit}` + (s.max[best] > s.min[best] ? ` (${number(s.min[best])} – ${number(s.max[best])})` : ''));
    }
    for (const m of data.marks) if (m.from <= at + slack / 4 && m.to >= at - slack / 4) lines.push(`${laneWords[m.lane]}: ${m.words}`);
    readout.textContent = lines.slice(0, 9).join('\n');
  }

  function draw() {
    const all = panels();
    const shape = JSON.stringify([all.map((p) => [p.quantity, p.of.map((s) => s.t.length > 0)]), lanes.filter((l) => data.marks.some((m) => m.lane === l))]);
    if (draw.shape === shape && plots.length === all.length) {
      plots.forEach((p, k) => {
        Object.assign(p.panel, all[k]);
        p.setData(aligned(all[k]), false);
        p.setScale('x', { min: from, max: to });
      });
      return;
    }
    draw.shape = shape;
    for (const p of plots) p.destroy();
    plots = [];
    for (const part of box.querySelectorAll('div')) part.remove();
    for (const e of document.querySelectorAll('.moving, #history-readout')) e.hidden = false;
    figure.classList.add('live');
    all.forEach((p, k) => chart(p, k === all.length - 1));
  }
  const redraw = () => { if (data) { draw.shape = ''; draw(); } };
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', redraw);
  let width = 0;
  new ResizeObserver(() => { if (box.clientWidth && box.clientWidth !== width) { width = box.clientWidth; redraw(); } }).observe(box);

  const area = () => plots[0].over.getBoundingClientRect();
  const share = (clientX) => (clientX - area().left) / area().width;

  // One finger or the mouse held down moves, two fingers zoom.
  const held = new Map();
  box.addEventListener('pointerdown', (e) => {
    if (!plots.length || e.button !== 0) return;
    held.set(e.pointerId, e.clientX);
    box.classList.add('held');
    if (e.pointerType === 'mouse') box.setPointerCapture(e.pointerId);
  });
  box.addEventListener('pointermove', (e) => {
    const before = held.get(e.pointerId);
    if (before === undefined || before === e.clientX) return;
    const others = [...held].filter(([id]) => id !== e.pointerId);
    held.set(e.pointerId, e.clientX);
    if (!others.length) return move((before - e.clientX) / area().width);
    const fixed = others[0][1], was = Math.abs(before - fixed), is = Math.abs(e.clientX - fixed);
    if (was > 10 && is > 10) zoom(was / is, share(fixed));
  });
  for (const name of ['pointerup', 'pointercancel', 'lostpointercapture']) {
    box.addEventListener(name, (e) => {
      held.delete(e.pointerId);
      if (!held.size) box.classList.remove('held');
    });
  }
  box.addEventListener('dblclick', (e) => { if (plots.length) zoom(0.5, share(e.clientX)); });
  box.addEventListener('wheel', (e) => {
    if (!plots.length || !(e.ctrlKey || e.metaKey)) return;
    e.preventDefault();
    zoom(Math.exp(Math.max(-0.5, Math.min(0.5, e.deltaY * 0.004))), share(e.clientX));
  }, { passive: false });
  const end = () => show(now() - (to - from), now());
  box.addEventListener('keydown', (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const does = {
      ArrowLeft: () => move(e.shiftKey ? -1 : -0.2), ArrowRight: () => move(e.shiftKey ? 1 : 0.2),
      '+': () => zoom(0.5), '=': () => zoom(0.5), '-': () => zoom(2), End: end,
    }[e.key];
    if (!does) return;
    e.preventDefault();
    does();
  });
  document.addEventListener('click', (e) => {
    const step = e.target.closest?.('a[data-step]')?.dataset.step;
    if (!step || !plots.length || e.ctrlKey || e.metaKey || e.shiftKey) return;
    e.preventDefault();
    ({ earlier: () => move(-0.5), later: () => move(0.5), closer: () => zoom(0.5), wider: () => zoom(2) })[step]();
  });

  read();
})();
