// <sp-upload> wraps the form that adds a case. The film is sent as soon as it is
// chosen, so that the rest can be written meanwhile, and goes on after a break;
// the form then names the finished upload. Without scripts the form itself
// carries the film.

import { forget, Refused, send } from './tus.ts';

function size(bytes: number): string {
  if (bytes < 1e6) return Math.ceil(bytes / 1e3) + ' kB';
  if (bytes < 1e9) return (bytes / 1e6).toFixed(1) + ' MB';
  return (bytes / 1e9).toFixed(2) + ' GB';
}

export class UploadElement extends HTMLElement {
  #stop: AbortController | null = null; // while sending
  #wanted = false; // the form was sent before the film was here
  #told = -1;

  connectedCallback(): void {
    this.#film.addEventListener('change', () => void this.#start());
    this.#form.addEventListener('submit', (e) => this.#submit(e));
    this.#find<HTMLButtonElement>('[data-cancel]').addEventListener('click', () => void this.#cancel());
  }

  get #film(): HTMLInputElement {
    return this.#find<HTMLInputElement>('input[name=film]');
  }

  get #form(): HTMLFormElement {
    return this.#find<HTMLFormElement>('form');
  }

  #find<T extends Element>(selector: string): T {
    const found = this.querySelector<T>(selector);
    if (!found) throw new Error('sp-upload lacks ' + selector);
    return found;
  }

  #submit(e: SubmitEvent): void {
    if (!this.#stop) return;
    e.preventDefault();
    this.#wanted = true;
    this.#say('The case will be added as soon as the film is here.');
  }

  async #start(): Promise<void> {
    this.#stop?.abort();
    this.#hidden('upload', null);
    const file = this.#film.files?.[0];
    if (!file) return this.#rest();
    const stop = (this.#stop = new AbortController());
    this.#told = -1;
    this.#find<HTMLElement>('[data-sending]').hidden = false;
    this.#find<HTMLElement>('[data-cancel]').hidden = false;
    try {
      const address = await send(file, this.dataset['uploads'] ?? '/uploads/', stop.signal, {
        sent: (n) => this.#progress(n, file.size),
        waiting: () => this.#say('The network is gone. Sending goes on by itself when it is back.'),
      });
      this.#done(file, address);
    } catch (e) {
      if (stop.signal.aborted) return;
      this.#rest();
      this.#film.value = '';
      this.#say(e instanceof Refused ? e.message : 'The film could not be sent. Choose it again to go on from where it stopped.');
    }
  }

  #done(file: File, address: string): void {
    this.#rest();
    this.#hidden('upload', address);
    this.#film.value = ''; // the form must not carry it a second time
    this.#say(`${file.name} is here (${size(file.size)}).`);
    if (this.#wanted) this.#form.requestSubmit();
  }

  #rest(): void {
    this.#stop = null;
    this.#find<HTMLElement>('[data-cancel]').hidden = true;
  }

  async #cancel(): Promise<void> {
    const file = this.#film.files?.[0];
    this.#stop?.abort();
    this.#rest();
    this.#wanted = false;
    this.#film.value = '';
    this.#say('Stopped. Nothing of the film is kept.');
    this.#find<HTMLElement>('[data-progress]').textContent = '';
    this.#find<HTMLProgressElement>('progress').value = 0;
    this.#film.focus();
    if (file) await forget(file);
  }

  #progress(sent: number, all: number): void {
    const percent = all > 0 ? Math.floor((100 * sent) / all) : 100;
    this.#find<HTMLProgressElement>('progress').value = percent;
    this.#find<HTMLElement>('[data-progress]').textContent = `${percent} %, ${size(sent)} of ${size(all)}`;
    const quarter = Math.floor(percent / 25); // a voice need not hear every step
    if (quarter === this.#told) return;
    this.#told = quarter;
    this.#say(`Sending the film: ${percent} %`);
  }

  #hidden(name: string, value: string | null): void {
    let input = this.querySelector<HTMLInputElement>(`input[type=hidden][name="${name}"]`);
    if (value === null) return input?.remove();
    if (!input) {
      input = document.createElement('input');
      input.type = 'hidden';
      input.name = name;
      this.#form.append(input);
    }
    input.value = value;
  }

  #say(words: string): void {
    this.#find<HTMLElement>('[data-say]').textContent = words;
    this.#find<HTMLElement>('[data-sending]').hidden = false;
  }
}
