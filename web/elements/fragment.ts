// Reads the time of a Media Fragment (W3C Media Fragments URI 1.0, section
// 4.2.1), in normal play time: "#t=30", "#t=30,60", "#t=npt:01:10,". Anything
// invalid, and any other time format, is no fragment at all, as it says there.

export interface Stretch {
  from: number; // seconds
  to?: number;
}

function npt(s: string): number | null {
  if (/^\d+(\.\d*)?$/.test(s)) return parseFloat(s);
  const m = /^(?:(\d+):)?([0-5]\d):([0-5]\d(?:\.\d*)?)$/.exec(s);
  if (!m) return null;
  return Number(m[1] ?? 0) * 3600 + Number(m[2]) * 60 + Number(m[3]);
}

function stretch(value: string): Stretch | null {
  const parts = value.replace(/^npt:/, '').split(',');
  const [a = '', b] = parts;
  if (parts.length > 2 || (a === '' && !b)) return null;
  const from = a === '' ? 0 : npt(a);
  if (from === null) return null;
  if (b === undefined) return { from };
  const to = npt(b);
  return to === null || to <= from ? null : { from, to };
}

function decoded(s: string): string | null {
  try {
    return decodeURIComponent(s);
  } catch {
    return null;
  }
}

// fragmentTime gives the last valid t of a hash, or null.
export function fragmentTime(hash: string): Stretch | null {
  let found: Stretch | null = null;
  for (const pair of hash.replace(/^#/, '').split('&')) {
    const i = pair.indexOf('=');
    if (i < 0 || decoded(pair.slice(0, i)) !== 't') continue;
    const value = decoded(pair.slice(i + 1));
    found = (value !== null && stretch(value)) || found;
  }
  return found;
}

// clock writes seconds as people write them beside a film: "07:24.5", "1:02:03".
export function clock(t: number, tenths = false): string {
  const all = tenths ? Math.floor(t * 10 + 1e-6) / 10 : Math.floor(t + 1e-6);
  const h = Math.floor(all / 3600), m = Math.floor(all / 60) % 60, s = all % 60;
  const sec = tenths ? s.toFixed(1).padStart(4, '0') : String(s).padStart(2, '0');
  return (h > 0 ? h + ':' : '') + String(m).padStart(2, '0') + ':' + sec;
}
