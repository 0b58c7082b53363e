// <sp-record> wraps the running record: an ordered list whose lines carry
// data-from. The line that the film has reached is marked aria-current and kept
// in view within its own pane; the page itself never scrolls.

import type { Now } from './film.ts';

const hold = 6000; // ms for which a reader's own scrolling is left alone

interface Line {
  at: number;
  rec: string | undefined;
  item: HTMLElement;
}

export class RecordElement extends HTMLElement {
  #lines: Line[] = [];
  #current: HTMLElement | null = null;
  #heldUntil = 0;
  #off = new AbortController();

  connectedCallback(): void {
    this.#off = new AbortController();
    const on = { signal: this.#off.signal };
    this.#lines = [...this.querySelectorAll<HTMLElement>('[data-from]')].map((item) => {
      return { at: Number(item.dataset['from']), rec: item.dataset['rec'], item };
    });
    document.addEventListener('sp-time', (e) => this.#follow((e as CustomEvent<Now>).detail), on);
    for (const name of ['wheel', 'touchmove', 'pointerdown', 'focusin']) {
      this.addEventListener(name, () => (this.#heldUntil = performance.now() + hold), { ...on, passive: true });
    }
    this.addEventListener('keydown', (e) => this.#key(e), on);
  }

  disconnectedCallback(): void {
    this.#off.abort();
  }

  #follow(now: Now): void {
    // Half a tenth early, as a film may land a little before the second asked for.
    const here = this.#lines.filter((l) => l.at <= now.t + 0.05 && (!l.rec || l.rec === now.rec)).at(-1)?.item ?? null;
    if (here === this.#current) return;
    this.#current?.removeAttribute('aria-current');
    here?.setAttribute('aria-current', 'true');
    this.#current = here;
    if (here && performance.now() > this.#heldUntil) this.#bring(here);
  }

  #bring(item: HTMLElement): void {
    if (this.scrollHeight <= this.clientHeight) return;
    const calm = matchMedia('(prefers-reduced-motion: reduce)').matches;
    const top = item.offsetTop - this.offsetTop - this.clientHeight / 3;
    this.scrollTo({ top, behavior: calm ? 'auto' : 'smooth' });
  }

  #key(e: KeyboardEvent): void {
    if (e.key !== 'ArrowUp' && e.key !== 'ArrowDown') return;
    const times = [...this.querySelectorAll<HTMLElement>('a.t')];
    const at = e.target instanceof Element ? e.target.closest('[data-from]')?.querySelector<HTMLElement>('a.t') : null;
    const next = times[at ? times.indexOf(at) + (e.key === 'ArrowDown' ? 1 : -1) : 0];
    if (!next) return;
    e.preventDefault();
    next.focus();
  }
}
