// The elements of the pages. Each upgrades markup that works without it.

import { FilmElement } from './film.ts';
import { FindElement } from './find.ts';
import { RecordElement } from './record.ts';
import { UploadElement } from './upload.ts';
import { WaitElement } from './wait.ts';

document.documentElement.classList.add('scripted');

// What a form has just done is said once, not again at every reload.
const here = new URL(location.href);
if (here.searchParams.has('done')) {
  here.searchParams.delete('done');
  history.replaceState(history.state, '', here);
}

// The film speaks as soon as it is defined, so those who listen come first.
customElements.define('sp-record', RecordElement);
customElements.define('sp-film', FilmElement);
customElements.define('sp-find', FindElement);
customElements.define('sp-upload', UploadElement);
customElements.define('sp-wait', WaitElement);
