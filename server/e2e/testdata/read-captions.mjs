// Reads WebVTT files with an independent parser. Arguments: kind=path …
// Prints what it found as JSON, in the same order.
import { readFileSync } from 'node:fs';
import webvtt from 'webvtt-parser';

const entities = JSON.parse(readFileSync(new URL('../node_modules/webvtt-parser/html-entities.json', import.meta.url)));
const out = process.argv.slice(2).map((arg) => {
  const [kind, ...path] = arg.split('=');
  const text = readFileSync(path.join('='), 'utf8');
  const tree = new webvtt.WebVTTParser(entities).parse(text, kind);
  return {
    errors: tree.errors.map((e) => `${e.line}:${e.col ?? ''} ${e.message}`),
    cues: tree.cues.map((c) => ({ from: c.startTime, to: c.endTime, text: c.text })),
  };
});
console.log(JSON.stringify(out));
