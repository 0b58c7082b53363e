// <sp-film> wraps a <video> that already works and opens at ?t=. It opens at #t= too, sends
// every link to a second of this page to the film, adds keys, frame steps and
// speeds, and tells the page where the film is with the event sp-time.

import { clock, fragmentTime } from './fragment.ts';

export interface Now {
  t: number; // seconds on the case clock
  rec: string;
}

const speeds = [0.25, 0.5, 1, 1.5, 2, 4];

export class FilmElement extends HTMLElement {
  #video!: HTMLVideoElement;
  #until: number | undefined; // where a fragment says to stop, on the film's clock
  #off = new AbortController();

  connectedCallback(): void {
    const video = this.querySelector('video');
    if (!video) return;
    this.#video = video;
    this.#off = new AbortController();
    const on = { signal: this.#off.signal };
    for (const name of ['timeupdate', 'seeked', 'loadedmetadata']) video.addEventListener(name, () => this.#tell(), on);
    video.addEventListener('timeupdate', () => this.#stopAtEnd(), on);
    video.addEventListener('ratechange', () => this.#showSpeed(), on);
    video.textTracks.addEventListener('change', () => this.#showCaptions(), on);
    document.addEventListener('click', (e) => this.#click(e), on);
    // Before a link opens in another tab, too, it must know the second.
    for (const name of ['pointerdown', 'focusin']) document.addEventListener(name, (e) => this.#reach(e.target), on);
    document.addEventListener('keydown', (e) => this.#key(e), { ...on, capture: true });
    window.addEventListener('hashchange', () => this.#openAtHash(), on);
    this.#controls();
    this.#openAtHash(); // at ?t= the server has opened the film itself
    if (video.readyState > 0) this.#tell();
  }

  disconnectedCallback(): void {
    this.#off.abort();
  }

  get #offset(): number {
    return Number(this.dataset['offset'] ?? 0);
  }

  get #rec(): string {
    return this.dataset['rec'] ?? '';
  }

  #find<T extends Element>(selector: string): T | null {
    return this.querySelector<T>(selector);
  }

  #controls(): void {
    const keys = this.#find<HTMLElement>('.film-keys');
    if (!keys) return;
    keys.hidden = false;
    keys.addEventListener('click', (e) => {
      const b = e.target instanceof Element ? e.target.closest('button') : null;
      if (b?.dataset['step']) this.#step(Number(b.dataset['step']));
      else if (b && 'captions' in b.dataset) this.#toggleCaptions();
    });
    this.#find<HTMLSelectElement>('[data-speed]')?.addEventListener('change', (e) => {
      this.#speed(Number((e.target as HTMLSelectElement).value));
    });
  }

  // In a page's address the fragment speaks of the page's clock: the case's.
  #openAtHash(): void {
    const s = fragmentTime(location.hash);
    if (s) this.#go(s.from, s.to);
  }

  #go(t: number, until?: number): void {
    this.#until = until === undefined ? undefined : until - this.#offset;
    this.#video.currentTime = Math.max(0, t - this.#offset);
  }

  #stopAtEnd(): void {
    if (this.#until === undefined || this.#video.paused || this.#video.currentTime < this.#until) return;
    this.#until = undefined;
    this.#video.pause();
    this.#say('Stopped at ' + clock(this.#now));
  }

  get #now(): number {
    return this.#video.currentTime + this.#offset;
  }

  #tell(): void {
    const t = this.#now;
    const at = this.#find<HTMLOutputElement>('[data-at]');
    if (at) at.value = clock(t, true);
    this.#mark(t);
    document.dispatchEvent(new CustomEvent<Now>('sp-time', { detail: { t, rec: this.#rec } }));
  }

  // mark draws the second into the ribbon.
  #mark(t: number): void {
    const ribbon = document.querySelector<SVGElement>('.ribbon[data-from]');
    if (!ribbon) return;
    const from = Number(ribbon.dataset['from']), to = Number(ribbon.dataset['to']);
    const x = (100 * Math.min(1, Math.max(0, (t - from) / (to - from)))).toFixed(2) + '%';
    for (const line of ribbon.querySelectorAll('.now')) {
      line.setAttribute('x1', x);
      line.setAttribute('x2', x);
      line.removeAttribute('visibility');
    }
  }

  #click(e: MouseEvent): void {
    if (e.defaultPrevented || e.button !== 0 || e.metaKey || e.ctrlKey || e.shiftKey || e.altKey) return;
    const a = e.target instanceof Element ? e.target.closest('a[href]') : null;
    if (!a) return;
    if (a.hasAttribute('data-uncover')) {
      e.preventDefault();
      this.#uncover(a);
    } else if (a.hasAttribute('data-now')) {
      this.#carryTime(a);
    } else {
      const t = this.#secondOf(a);
      if (t === null) return;
      e.preventDefault();
      this.#show(t);
    }
  }

  #reach(target: EventTarget | null): void {
    const a = target instanceof Element ? target.closest('a[data-now]') : null;
    if (a) this.#carryTime(a);
  }

  // secondOf gives the second that a link names, where it is one of this film.
  #secondOf(a: Element): number | null {
    const to = new URL(a.getAttribute('href') ?? '', location.href);
    const t = to.searchParams.get('t'), rec = to.searchParams.get('rec');
    if (to.origin !== location.origin || to.pathname !== location.pathname || t === null || to.hash) return null;
    if (rec !== null && rec !== this.#rec) return null;
    return Number(t);
  }

  #show(t: number): void {
    this.#go(t);
    const here = new URL(location.href);
    here.searchParams.set('t', String(t));
    here.hash = '';
    history.replaceState(history.state, '', here);
    this.#say('Film at ' + clock(t));
    if (this.#find('.cover')) return;
    const box = this.getBoundingClientRect(), edge = 80;
    if (box.bottom < edge || box.top > innerHeight - edge) this.scrollIntoView({ block: 'start' });
    this.#video.play().catch(() => {}); // a browser may wait for a press of its own button
  }

  #carryTime(a: Element): void {
    const to = new URL(a.getAttribute('href') ?? '', location.href);
    to.searchParams.set('t', String(Math.round(this.#now * 1000) / 1000));
    a.setAttribute('href', to.pathname + to.search);
  }

  #uncover(a: Element): void {
    this.#video.poster = a.getAttribute('data-poster') ?? '';
    this.#video.preload = 'metadata';
    a.closest('.cover')?.remove();
    this.#video.focus();
    this.#say('The film is shown');
  }

  #key(e: KeyboardEvent): void {
    const at = e.target;
    if (!(at instanceof Element) || e.ctrlKey || e.altKey || e.metaKey || this.#find('.cover')) return;
    if (!at.closest('sp-film, sp-record') || at.closest('input, select, textarea')) return;
    const act = this.#action(e, at.closest('button, a') !== null);
    if (!act) return;
    e.preventDefault();
    e.stopPropagation();
    act();
  }

  #action(e: KeyboardEvent, onControl: boolean): (() => void) | null {
    const v = this.#video;
    switch (e.key) {
      case ' ':
        return onControl ? null : () => (v.paused ? v.play().catch(() => {}) : v.pause());
      case 'ArrowLeft':
        return () => (e.shiftKey ? this.#step(-1) : this.#skip(-5));
      case 'ArrowRight':
        return () => (e.shiftKey ? this.#step(1) : this.#skip(5));
      case '-':
      case '−':
        return () => this.#speed([...speeds].reverse().find((s) => s < v.playbackRate) ?? 0.25);
      case '+':
      case '=':
        return () => this.#speed(speeds.find((s) => s > v.playbackRate) ?? 4);
      case 'w':
        return () => this.#toggleCaptions();
    }
    return null;
  }

  #skip(seconds: number): void {
    this.#until = undefined;
    const end = Number.isFinite(this.#video.duration) ? this.#video.duration : Infinity;
    this.#video.currentTime = Math.min(end, Math.max(0, this.#video.currentTime + seconds));
  }

  // step lands a fifth into the frame, where no rounding leads to its neighbour.
  #step(frames: number): void {
    const fps = Number(this.dataset['fps'] ?? 25);
    this.#video.pause();
    const frame = Math.floor(this.#video.currentTime * fps + 1e-3) + frames;
    this.#video.currentTime = (Math.max(0, frame) + 0.2) / fps;
  }

  #speed(rate: number): void {
    this.#video.playbackRate = rate;
    this.#say('Speed ' + rate);
  }

  #showSpeed(): void {
    const select = this.#find<HTMLSelectElement>('[data-speed]');
    if (select) select.value = String(this.#video.playbackRate);
  }

  get #tracks(): TextTrack[] {
    return [...this.#video.textTracks].filter((t) => t.kind === 'captions');
  }

  #toggleCaptions(): void {
    const tracks = this.#tracks, first = tracks[0];
    if (!first) return;
    const show = !tracks.some((t) => t.mode === 'showing');
    for (const t of tracks) t.mode = 'disabled';
    if (show) first.mode = 'showing';
    this.#showCaptions();
    this.#say(show ? 'Captions on' : 'Captions off');
  }

  #showCaptions(): void {
    const on = this.#tracks.some((t) => t.mode === 'showing');
    this.#find('[data-captions]')?.setAttribute('aria-pressed', String(on));
  }

  #say(words: string): void {
    const line = this.#find('[data-say]');
    if (line) line.textContent = words;
  }
}
