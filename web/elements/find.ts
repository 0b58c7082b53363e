// <sp-find> wraps the library. A change of a facet or of the order fetches the
// same page for the new choice and swaps the results and the counts in, so that
// the focus stays where it is. Without scripts the form does the same.

export class FindElement extends HTMLElement {
  #asked = 0;
  #shown = location.search; // the search that the page shows

  connectedCallback(): void {
    this.addEventListener('change', (e) => {
      if (e.target instanceof Element && e.target.matches('[form="find"]')) void this.#ask();
    });
    window.addEventListener('popstate', () => {
      if (location.search !== this.#shown) location.reload(); // a jump within the page is no other search
    });
  }

  async #ask(): Promise<void> {
    const form = this.querySelector<HTMLFormElement>('#find');
    if (!form) return;
    const to = new URL(form.action, location.href);
    to.search = new URLSearchParams([...new FormData(form)].filter(([, v]) => v !== '') as [string, string][]).toString();
    const turn = ++this.#asked;
    try {
      const answer = await fetch(to, { headers: { Accept: 'text/html' } });
      if (!answer.ok) throw new Error(answer.statusText);
      const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
      if (turn !== this.#asked) return;
      this.#take(page);
      history.pushState(null, '', to);
      this.#shown = to.search;
    } catch {
      location.assign(to);
    }
  }

  #take(page: Document): void {
    const line = '#results [role=status]';
    const fresh = page.querySelector('#results'), old = this.querySelector('#results');
    const said = this.querySelector(line), says = page.querySelector(line);
    if (!fresh || !old || !said || !says) throw new Error('not the library');
    // The status line itself stays, or it would not be spoken; so does the order.
    const head = old.querySelector('.results-head');
    fresh.querySelector('.results-head')?.remove();
    for (const child of [...old.children]) if (child !== head) child.remove();
    old.append(...fresh.children);
    said.replaceChildren(...says.childNodes);
    for (const box of this.querySelectorAll<HTMLInputElement>('#facets input')) {
      const twin = page.querySelector(`#facets input[name="${CSS.escape(box.name)}"][value="${CSS.escape(box.value)}"]`);
      const count = box.closest('label')?.querySelector('.n'), now = twin?.closest('label')?.querySelector('.n');
      if (count) count.replaceChildren(...(now ? now.childNodes : ['0']));
    }
    const acts = this.querySelector('.facet-acts'), nowActs = page.querySelector('.facet-acts');
    if (acts && nowActs) acts.replaceWith(nowActs);
  }
}
