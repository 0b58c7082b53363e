package web

import "sideport/annotate"

// The pages of one invented case, filled to the brim: what the tests check and
// what `go test ./web -pages DIR` writes for looking at.

func mmss(s string) annotate.Time {
	t, err := annotate.ParseTime(s)
	if err != nil {
		panic(err)
	}
	return t
}

func moment(at, kind, words string) Moment {
	return Moment{At: mmss(at), Kind: kind, Words: Plain(words)}
}

func stage(concept, name, from, to string) Stage {
	return Stage{Span: annotate.Span{From: mmss(from), To: mmss(to)}, Concept: concept, Name: name}
}

var curator = Viewer{Name: "a.curator", Role: "curator", Curates: true}

var looseBag = []Stage{
	stage("st.paracentesis", "Wounds", "00:30", "01:05"),
	stage("st.capsulorhexis", "Capsulorhexis", "01:05", "02:16"),
	stage("st.pupil-expansion", "Capsule hooks", "02:20", "03:15"),
	stage("st.hydrodissection", "Hydrodissection", "03:20", "03:46"),
	stage("st.nucleus-removal", "Nucleus removal", "03:50", "06:38"),
	stage("st.ctr-insertion", "CTR insertion", "06:40", "07:12"),
	stage("st.epinucleus", "Epinucleus removal", "07:14", "07:50"),
	stage("st.anterior-vitrectomy", "Anterior vitrectomy", "08:10", "10:22"),
	stage("st.cortex", "Cortex removal", "10:30", "11:36"),
	stage("st.iol-insertion", "IOL insertion", "11:40", "12:48"),
	stage("st.suturing", "Corneal suturing", "13:00", "13:50"),
}

func libraryPage() LibraryPage {
	return LibraryPage{
		Base:  Base{Title: "Library", Here: "/", Viewer: curator},
		Query: "loose bag horizontal chop",
		Read: []Reading{
			{Words: "loose bag", As: "zonular weakness", Href: "/?q=loose+bag+horizontal+chop&as-written=loose+bag"},
			{Words: "horizontal chop", As: "horizontal chop (technique)", Off: true, Href: "/?q=loose+bag+horizontal+chop"},
		},
		Facets: []Facet{
			{"factor", "Difficulty factor", []FacetValue{{"f.zonular-weakness", "Zonular weakness", 3, true}, {"f.small-pupil", "Small pupil", 2, false}, {"f.pxf", "Pseudoexfoliation", 2, false}, {"f.rp", "Retinitis pigmentosa", 1, false}}},
			{"technique", "Technique", []FacetValue{{"t.horizontal-chop", "Horizontal chop", 3, false}, {"t.stop-chop", "Stop and chop", 1, false}}},
			{"complication", "Complication", []FacetValue{{"c.pcr", "Posterior capsule rupture", 1, false}}},
			{"surgeon", "Surgeon", []FacetValue{{"consultant", "Consultant", 2, false}, {"fellow", "Fellow", 1, false}}},
		},
		Sorts: []Option{{"best", "Best match", true}, {"newest", "Newest first", false}, {"title", "Title", false}},
		Total: 3, Of: 12, Moments: 9, AllHref: "/?q=loose+bag+horizontal+chop",
		Rows: []CaseRow{
			{ID: "case-11", Title: "Loose bag in retinitis pigmentosa: horizontal chop, then a rupture", Facts: []string{"phacoemulsification", "left eye", "age 50–59", "consultant"},
				Length: mmss("13:50"), Poster: "/cases/case-11/recordings/r1/poster.jpg", Stages: looseBag,
				Factors: []Tag{{Name: "Zonular weakness", Grade: "phacodonesis", Hit: true}, {Name: "Retinitis pigmentosa"}, {Name: "Small pupil", Grade: "6.2 mm"}},
				Best: []Moment{
					{At: mmss("03:50"), Kind: "technique", Words: []Run{{"Horizontal chop", true}, {" within the rhexis; the ", false}, {"bag", true}, {" hardly moves", false}}},
					{At: mmss("01:05"), Kind: "factor", Words: []Run{{"Capsule dimples at the first puncture: the ", false}, {"bag is loose", true}}},
					{At: mmss("06:40"), Kind: "teaching point", Words: Plain("A tension ring as late as you can, as soon as you must")}},
				More: 2},
			{ID: "case-06", Title: "Traumatic subluxation of four clock hours with vitreous at two o’clock", Facts: []string{"phacoemulsification", "left eye", "age 30–39", "consultant"},
				Length: mmss("13:40"), Discretion: true, Status: "in review",
				Factors: []Tag{{Name: "Subluxation", Grade: "4 clock hours", Hit: true}, {Name: "Vitreous in the chamber"}},
				Stages: []Stage{stage("st.anterior-vitrectomy", "Anterior vitrectomy", "00:30", "02:10"), stage("st.ovd-injection", "Viscoelastic injection", "02:10", "02:40"),
					stage("st.capsulorhexis", "Capsulorhexis", "02:40", "03:50"), stage("st.hydrodissection", "Hydrodissection", "04:40", "05:10"), stage("st.nucleus-removal", "Nucleus removal", "05:10", "06:30"),
					stage("st.ctr-insertion", "CTR insertion", "06:30", "07:20"), stage("st.cortex", "Cortex removal", "07:40", "08:50"), stage("st.iol-insertion", "IOL insertion", "09:00", "10:20"), stage("st.iris-repair", "Iris repair", "10:20", "13:00"), stage("st.wound-closure", "Wound closure", "13:00", "13:40")},
				Best: []Moment{{At: mmss("03:50"), Kind: "technique", Words: []Run{{"Three capsule hooks hold the ", false}, {"loose bag", true}}}}},
			{ID: "case-13", Title: "Pseudoexfoliation with a small pupil", Facts: []string{"phacoemulsification", "right eye"}, Preparing: "The film is being prepared",
				Factors: []Tag{{Name: "Pseudoexfoliation"}, {Name: "Small pupil", Grade: "3.4 mm"}}},
		},
		Pager: Pager{Page: 1, Pages: 2, Next: "/?q=loose+bag&page=2"},
		Try:   []Link{{Text: "loose bag", Href: "/?q=loose+bag", Help: "3 cases"}},
	}
}

func recordPage() RecordPage {
	entry := func(id, kind, from, to, name, words string, facts ...Fact) Entry {
		return Entry{Note: id, Kind: kind, Span: annotate.Span{From: mmss(from), To: mmss(to)}, Name: name, Words: words, Facts: facts}
	}
	p := RecordPage{
		Base: Base{Title: "Loose bag in retinitis pigmentosa: horizontal chop, then a rupture", Viewer: curator, Notice: "The note is kept."},
		ID:   "case-11", Status: "in review", CanWrite: true, At: mmss("07:24"), Audience: "own unit",
		Summary:    "Chopping spared what zonules there were. The rupture came with the last of the epinucleus, and was met without a strand to the wound.",
		Facts:      []Fact{{"Procedure", "Phacoemulsification"}, {"Eye", "left"}, {"Age", "50–59"}, {"Surgeon", "consultant"}, {"Film", "13:50"}},
		Recordings: []RecordingTab{{"r1", "microscope", mmss("13:50"), true}, {"r2", "theatre camera", mmss("15:02"), false}},
		Film: Film{Recording: "r1", State: "ready", Length: mmss("13:50"), Rate: annotate.Rate{Num: 25, Den: 1}, Width: 1280, Height: 720, Type: "video/mp4",
			Captions: []CaptionTrack{{"en", "English"}}},
		Stages:  looseBag,
		Factors: []Factor{{"Retinitis pigmentosa", "", "before"}, {"Zonular weakness", "phacodonesis", "before"}, {"Pupil", "6.2 mm", "before"}, {"Capsule dimples at the first puncture", "", "during"}},
		Plan: []PlanLine{
			{"Zonular weakness", "Horizontal chop within the rhexis, hooks early, ring late.", []StandBy{{"Capsule hooks", []Moment{moment("02:20", "", "")}}, {"Capsular tension ring", []Moment{moment("06:40", "", "")}}, {"Segment", nil}},
				[]Moment{moment("02:20", "technique", "Two capsule hooks"), moment("06:40", "technique", "Tension ring in")}},
			{"Posterior capsule rupture", "Never pull out; viscoelastic through the side port first.", []StandBy{{"Anterior vitrector", []Moment{moment("08:10", "", "")}}, {"Three-piece lens", []Moment{moment("11:40", "", "")}}},
				[]Moment{moment("07:20", "complication", "The chamber deepens, a fragment falls away")}},
			{"Vitreous in the wound", "Triamcinolone to see it.", nil, nil},
		},
		Settings: []Setting{
			{At: mmss("03:50"), Mode: "chop", Values: []SettingValue{{"Vacuum limit", "350 mmHg", "400 mmHg", -0.125, true}, {"Aspiration flow", "28 mL/min", "35 mL/min", -0.2, true}, {"Bottle height", "80 cm", "95 cm", -15.0 / 95, true}, {"Torsional ultrasound", "60 %", "", 0, false}}},
			{At: mmss("08:10"), Mode: "anterior vitrectomy", Values: []SettingValue{{"Cut rate", "3000 cuts/min", "2500 cuts/min", 0.2, true}, {"Vacuum limit", "180 mmHg", "180 mmHg", 0, true}, {"Bottle height", "45 cm", "", 0, false}}},
		},
		Teaching: []Moment{moment("03:50", "", "Chopping spares the zonules: all force is between two instruments, none on the bag."), moment("06:40", "", "The ring as late as you can, as soon as you must."),
			moment("07:24", "", "Do not pull out: fill the chamber through the side port first."), moment("08:10", "", "Cut before you aspirate.")},
		Decisions:     []Decision{{At: mmss("07:24"), From: "finish the epinucleus", To: "foot in position 1, viscoelastic through the side port, then out", Sign: "the chamber deepens and a fragment falls away", Because: "a chamber that collapses draws vitreous to the wound"}},
		Complications: []Moment{moment("07:20", "", "Posterior capsule rupture. The chamber deepens with the last of the epinucleus.")},
		Hindsight:     "Another time the ring goes in before the last epinucleus, and the vacuum comes down for it.",
		Outcome:       []Visit{{"day 1", "6/24", "26 mmHg", "Cornea hazy, lens centred."}, {"week 4", "6/9", "15 mmHg", ""}},
		Stills:        []Still{{"s1", "day 1", "Optic captured in the rhexis, round pupil"}},
		Exports:       []Export{{"chapters", "Chapters", "WebVTT, the stages with their times", "own unit"}, {"summary", "Teaching points", "Markdown", "own unit"}, {"summary-html", "Teaching points to print", "HTML", "own unit"}, {"folder", "The case as a folder", "case.yaml, film, captions, stills", "own unit"}},
	}
	p.Record = []Entry{
		entry("n1", "stage", "00:30", "01:05", "Wounds", ""),
		entry("n2", "stage", "01:05", "02:16", "Capsulorhexis", ""),
		entry("n3", "factor", "01:05", "01:05", "Zonular weakness", "The capsule dimples at the first puncture.", Fact{"Grade or extent", "phacodonesis"}),
		entry("n4", "remark", "01:40", "01:40", "", "Rhexis of 5.5 mm: room for an optic, should it be needed."),
		entry("n5", "stage", "02:20", "03:15", "Capsule hooks", ""),
		entry("n6", "technique", "02:20", "03:10", "Capsule hooks", "Two, on the weak side."),
		entry("n7", "stage", "03:20", "03:46", "Hydrodissection", "Gentle; the nucleus turns freely."),
		entry("n8", "stage", "03:50", "06:38", "Nucleus removal", ""),
		entry("n9", "setting", "03:50", "03:50", "", "", Fact{"Vacuum limit", "350 mmHg (usual 400, −12.5 %)"}, Fact{"Aspiration flow", "28 mL/min (usual 35, −20 %)"}, Fact{"Bottle height", "80 cm"}),
		entry("n10", "technique", "03:50", "06:30", "Horizontal chop", "Within the rhexis; the bag hardly moves."),
		entry("n11", "teaching-point", "03:50", "03:50", "", "Chopping spares the zonules: all force is between two instruments, none on the bag."),
		entry("n12", "stage", "06:40", "07:12", "CTR insertion", ""),
		entry("n13", "stage", "07:14", "07:50", "Epinucleus removal", ""),
		entry("n14", "complication", "07:20", "07:20", "Posterior capsule rupture", "The chamber deepens, a fragment falls away."),
		entry("n15", "decision", "07:24", "07:24", "", "", Fact{"From", "finish the epinucleus"}, Fact{"To", "foot in position 1, viscoelastic through the side port, then out"}, Fact{"Sign", "the chamber deepens"}),
		entry("n16", "teaching-point", "07:24", "07:24", "", "Do not pull out: fill the chamber through the side port first."),
		entry("n17", "stage", "08:10", "10:22", "Anterior vitrectomy", "Bimanual, with triamcinolone."),
		entry("n18", "stage", "10:30", "11:36", "Cortex removal", "Dry aspiration."),
		entry("n19", "stage", "11:40", "12:48", "IOL insertion", "Three-piece lens in the sulcus, optic captured."),
		entry("n20", "stage", "13:00", "13:50", "Corneal suturing", ""),
	}
	p.Record[3].Pencilled = true
	return p
}

func notePage() NotePage {
	return NotePage{
		Base: Base{Title: "Change a note", Viewer: curator}, CaseID: "case-11", CaseTitle: "Loose bag in retinitis pigmentosa: horizontal chop, then a rupture",
		NoteID: "n9", Rev: 41, Recordings: []Option{{Value: "r1", Label: "microscope"}, {Value: "r2", Label: "theatre camera"}},
		Form:     NoteForm{Kind: "setting", Recording: "r1", From: "03:50", Fields: map[string]string{"mode": "chop", "values": "vacuum 350 mmHg\nflow 28", "usual": "vacuum 400 mmHg"}},
		Suggest:  map[string][]string{"setting": {"Chop mode", "Sculpt mode", "Epinucleus mode"}},
		Problems: Problems{"field.values": {`"28" has no unit; Aspiration flow is given in mL/min, as in 33 mL/min`}, "": {"Somebody else changed this since you opened it."}},
	}
}

func detailsPage() DetailsPage {
	return DetailsPage{Base: Base{Title: "Case details", Viewer: curator}, CaseID: "case-11", Rev: 40,
		Form: DetailsForm{CaseTitle: "Loose bag in retinitis pigmentosa: horizontal chop, then a rupture", Summary: "Chopping spared what zonules there were.", Procedure: "Phacoemulsification operation",
			Surgeon: "consultant", Eye: "left", AgeBand: "50-59", Sex: "female", Hindsight: "The ring earlier.", Discretion: true, Status: "in review", Audience: "own unit", Obtained: "2026-13-01", Reference: "register 114"},
		Suggest:  []string{"Phacoemulsification operation"},
		Problems: Problems{"consent.obtained": {`"2026-13-01" is not a day; write year, month and day, as in 2026-03-01`}}}
}

// full are the filled pages by the name of the file that -pages writes.
func full() map[string]Page {
	covered, waiting, failed := recordPage(), recordPage(), recordPage()
	covered.Film.Covered = true
	waiting.Film.State, waiting.Film.Done = "working", 0.42
	failed.Film.State, failed.Film.Say, failed.Withdrawn = "failed", "The file ends in the middle of a frame. Send it again from the camera card.", true
	fresh, deleting := notePage(), notePage()
	fresh.NoteID, fresh.Form, fresh.Problems = "", NoteForm{From: "07:24"}, nil
	deleting.Deleting = true
	removing := detailsPage()
	removing.Removing = true
	nothing := libraryPage()
	nothing.Rows, nothing.Total, nothing.Query = nil, 0, "loose bag snare"
	return map[string]Page{
		"library": libraryPage(), "library-nothing": nothing, "library-empty": LibraryPage{Base: Base{Title: "Library", Here: "/", Viewer: curator}},
		"record": recordPage(), "record-covered": covered, "record-waiting": waiting, "record-failed": failed,
		"note": notePage(), "note-new": fresh, "note-delete": deleting, "details": detailsPage(), "details-remove": removing,
		"add": AddPage{Base: Base{Title: "Add a case", Here: "/add", Viewer: curator}, Form: AddForm{CaseTitle: "Small pupil, ring", Upload: "/uploads/abc", FileName: "film.mp4"}, MaxFilm: "20 GB",
			Problems: Problems{"title": {"a case needs a title"}, "film": {"The file is a playlist, not a film. Choose the film itself."}, "captions": {"line 4: no arrow between the times"}}},
		"error":       ErrorPage{Base: Base{Title: "There is no such case", Viewer: curator}, Status: 404, What: "There is no case case-99.", Do: "It may have been removed. Look for it in the library.", Problems: []string{"one thing"}, Reference: "k7f3q"},
		"sign-in":     SignInPage{Base: Base{Title: "Sign in", Here: "/sign-in"}, Key: "k", Next: "/cases/case-11?t=444", Problem: "The link has been used already."},
		"sign-in-how": SignInPage{Base: Base{Title: "Sign in", Here: "/sign-in"}},
		"help":        HelpPage{Base: Base{Title: "Help", Here: "/help", Viewer: curator}, Formats: recordPage().Exports},
	}
}
