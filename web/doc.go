// Package web is the face of the library in a browser: one struct for each
// page, the templates that turn them into HTML, and the embedded bundle of
// styles and elements.
//
// It must not know where a page's facts come from: no index, store, account or
// server type is used here, and nothing is fetched or decided. Whoever fills a
// struct has already made sure that the viewer may see what is in it.
//
// All times in these structs are on the case clock, and so are the t= of page
// addresses; the film element takes the recording's offset off.
package web
