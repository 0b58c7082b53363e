// <sp-wait> stands where a film is still being prepared. It asks for the page
// again now and then, shows what it says, and opens the film when it is there.

const every = 4000; // ms

export class WaitElement extends HTMLElement {
  #timer = 0;

  connectedCallback(): void {
    this.#timer = window.setInterval(() => void this.#look(), every);
  }

  disconnectedCallback(): void {
    clearInterval(this.#timer);
  }

  async #look(): Promise<void> {
    if (document.hidden) return;
    try {
      const answer = await fetch(location.href, { headers: { Accept: 'text/html' } });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
      const fresh = page.querySelector('sp-wait');
      if (fresh) this.#show(fresh);
      else location.reload();
    } catch {
      // The server may be starting again; the next look will tell.
    }
  }

  #show(fresh: Element): void {
    for (const part of ['[role=status]', 'progress']) {
      const now = fresh.querySelector(part), old = this.querySelector(part);
      if (now && old && now.outerHTML !== old.outerHTML) {
        old.textContent = now.textContent;
        if (old instanceof HTMLProgressElement) old.value = Number(now.getAttribute('value'));
      }
    }
  }
}
