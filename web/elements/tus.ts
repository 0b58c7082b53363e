// Sends a file by the resumable upload protocol tus 1.0 (core, creation,
// termination): https://tus.io/protocols/resumable-upload. The address of an
// unfinished upload is remembered by the file's name, size and date, so that it
// goes on after a reload, a lost network or a restarted server.

const piece = 32 * 1024 * 1024;
const waits = [500, 1000, 2000, 4000, 8000, 15000, 30000, 30000, 30000, 30000];

// Refused is an answer that no further try will change.
export class Refused extends Error {}

class Again extends Error {}

export interface Progress {
  sent(bytes: number): void;
  waiting(): void; // the network is gone; it will be tried again
}

const tus = { 'Tus-Resumable': '1.0.0' };

function keyOf(file: File): string {
  return `upload ${file.name} ${file.size} ${file.lastModified}`;
}

// A browser may refuse storage; an upload then starts anew after a reload.
function remember(file: File, address: string | null): void {
  try {
    if (address) localStorage.setItem(keyOf(file), address);
    else localStorage.removeItem(keyOf(file));
  } catch {
    return;
  }
}

function remembered(file: File): string | null {
  try {
    return localStorage.getItem(keyOf(file));
  } catch {
    return null;
  }
}

async function ask(address: string, init: RequestInit): Promise<Response> {
  try {
    return await fetch(address, { ...init, headers: { ...tus, ...(init.headers as Record<string, string>) } });
  } catch (e) {
    if (init.signal?.aborted) throw e;
    throw new Again();
  }
}

function judge(status: number, said: string): Error {
  if (status === 401) return new Refused('You are signed out. Sign in again in another tab, then choose the same file to go on.');
  const passing = status === 0 || status >= 500 || [408, 409, 423, 425, 429].includes(status);
  return passing ? new Again() : new Refused(said.trim() || `The server answered ${status}.`);
}

function base64(s: string): string {
  return btoa(String.fromCharCode(...new TextEncoder().encode(s)));
}

async function create(file: File, endpoint: string, signal: AbortSignal): Promise<string> {
  const headers = { 'Upload-Length': String(file.size), 'Upload-Metadata': 'filename ' + base64(file.name) };
  const answer = await ask(endpoint, { method: 'POST', headers, signal });
  const place = answer.headers.get('Location');
  if (answer.status !== 201 || !place) throw judge(answer.status, await answer.text());
  return new URL(place, new URL(endpoint, location.href)).pathname;
}

// offsetOf gives how much has arrived, or null where the upload is gone.
async function offsetOf(address: string, signal: AbortSignal): Promise<number | null> {
  const answer = await ask(address, { method: 'HEAD', signal, cache: 'no-store' });
  if ([403, 404, 410].includes(answer.status)) return null;
  const at = answer.headers.get('Upload-Offset');
  if (!answer.ok || at === null) throw judge(answer.status, '');
  return Number(at);
}

function patch(address: string, file: File, from: number, signal: AbortSignal, p: Progress): Promise<number> {
  return new Promise((resolve, reject) => {
    const x = new XMLHttpRequest(); // fetch does not tell how much has been sent
    const stop = (): void => x.abort();
    signal.addEventListener('abort', stop, { once: true });
    x.open('PATCH', address);
    x.setRequestHeader('Tus-Resumable', '1.0.0');
    x.setRequestHeader('Upload-Offset', String(from));
    x.setRequestHeader('Content-Type', 'application/offset+octet-stream');
    x.upload.onprogress = (e) => p.sent(from + e.loaded);
    x.onloadend = () => {
      signal.removeEventListener('abort', stop);
      const at = x.getResponseHeader('Upload-Offset');
      if (signal.aborted) reject(signal.reason);
      else if (x.status === 204 && at !== null) resolve(Number(at));
      else reject(x.status === 404 || x.status === 410 ? new Again() : judge(x.status, x.responseText));
    };
    x.send(file.slice(from, from + piece));
  });
}

// pause waits, or goes on at once when the network comes back.
function pause(ms: number, signal: AbortSignal): Promise<void> {
  return new Promise((resolve, reject) => {
    const done = new AbortController();
    const end = (act: () => void) => (): void => { done.abort(); clearTimeout(timer); act(); };
    const timer = setTimeout(end(resolve), ms);
    window.addEventListener('online', end(resolve), { signal: done.signal });
    signal.addEventListener('abort', end(() => reject(signal.reason)), { signal: done.signal });
  });
}

// send brings the whole file over and gives the upload's address.
export async function send(file: File, endpoint: string, signal: AbortSignal, p: Progress): Promise<string> {
  let address = remembered(file);
  for (let tries = 0; ;) {
    try {
      let at = address === null ? null : await offsetOf(address, signal);
      if (address === null || at === null) {
        remember(file, null);
        address = null;
        address = await create(file, endpoint, signal);
        remember(file, address);
        at = 0;
      }
      for (p.sent(at); at < file.size; tries = 0) at = await patch(address, file, at, signal, p);
      return address;
    } catch (e) {
      const wait = waits[tries++];
      if (!(e instanceof Again)) throw e;
      if (wait === undefined) throw new Refused('The server could not be reached. What has arrived is kept; choose the same file again to go on.');
      p.waiting();
      await pause(wait, signal);
    }
  }
}

// forget ends an upload and lets the server remove what has arrived.
export async function forget(file: File): Promise<void> {
  const address = remembered(file);
  remember(file, null);
  if (address) await ask(address, { method: 'DELETE' }).catch(() => {});
}
