package casefile

import (
	"fmt"
	"slices"

	"go.yaml.in/yaml/v3"

	"sideport/annotate"
)

// The vocabulary kinds that the terms of the head are of.
var (
	procedureKinds = []string{"procedure"}
	factorKinds    = []string{"factor"}
	challengeKinds = []string{"factor", "complication"}
	standByKinds   = []string{"device", "instrument", "technique"}
)

func at(list string, i int) string { return fmt.Sprintf("%s[%d]", list, i) }

// head reads all of the case; the order matters only where notes name recordings.
func (r *reader) head(root *yaml.Node) annotate.Case {
	m := r.fields(root, "", "a case", "title", "summary", "specialty", "procedure", "surgeon", "eye", "patient", "factors", "plan",
		"recordings", "stills", "notes", "hindsight", "outcome", "consent", "discretion", "status")
	c := annotate.Case{
		Title:      r.text(m["title"], "title"),
		Summary:    r.text(m["summary"], "summary"),
		Specialty:  r.choice(m["specialty"], "specialty"),
		Procedure:  r.termOf(m["procedure"], "procedure", procedureKinds),
		Surgeon:    r.choice(m["surgeon"], "surgeon"),
		Eye:        r.choice(m["eye"], "eye"),
		Patient:    r.patient(m["patient"]),
		Factors:    r.factors(m["factors"]),
		Plan:       r.plan(m["plan"]),
		Recordings: r.recordings(m["recordings"]),
		Stills:     r.stills(m["stills"]),
		Hindsight:  r.text(m["hindsight"], "hindsight"),
		Outcome:    r.outcome(m["outcome"]),
		Consent:    r.consent(m["consent"]),
		Discretion: r.flag(m["discretion"], "discretion"),
		Status:     annotate.Status(r.choice(m["status"], "status")),
	}
	if c.Status == "" {
		c.Status = annotate.Draft
	}
	c.Notes = r.notes(m["notes"], c)
	return c
}

func (r *reader) patient(n *yaml.Node) annotate.Patient {
	m := r.fields(n, "patient", "patient", "age_band", "sex")
	return annotate.Patient{AgeBand: r.text(m["age_band"], "patient.age_band"), Sex: r.choice(m["sex"], "patient.sex")}
}

func (r *reader) factors(n *yaml.Node) []annotate.Factor {
	var out []annotate.Factor
	for i, item := range r.items(n, "factors", annotate.MaxItems) {
		p := at("factors", i)
		m := r.fields(item, p, "a factor", "concept", "said", "grade", "known")
		out = append(out, annotate.Factor{
			Term:  r.named(m["concept"], m["said"], p+".concept", factorKinds),
			Grade: r.text(m["grade"], p+".grade"),
			Known: r.choice(m["known"], p+".known"),
		})
	}
	return out
}

func (r *reader) plan(n *yaml.Node) []annotate.Plan {
	var out []annotate.Plan
	for i, item := range r.items(n, "plan", annotate.MaxItems) {
		p := at("plan", i)
		m := r.fields(item, p, "a line of the plan", "challenge", "strategy", "stand_by")
		line := annotate.Plan{Challenge: r.termOf(m["challenge"], p+".challenge", challengeKinds), Strategy: r.text(m["strategy"], p+".strategy")}
		for j, s := range r.items(m["stand_by"], p+".stand_by", annotate.MaxItems) {
			if t := r.termOf(s, at(p+".stand_by", j), standByKinds); !t.Zero() {
				line.StandBy = append(line.StandBy, t)
			}
		}
		out = append(out, line)
	}
	return out
}

func (r *reader) outcome(n *yaml.Node) []annotate.Outcome {
	var out []annotate.Outcome
	for i, item := range r.items(n, "outcome", annotate.MaxItems) {
		p := at("outcome", i)
		m := r.fields(item, p, "a visit", "when", "visual_acuity", "iop", "words")
		out = append(out, annotate.Outcome{
			When:         r.text(m["when"], p+".when"),
			VisualAcuity: r.text(m["visual_acuity"], p+".visual_acuity"),
			IOP:          r.text(m["iop"], p+".iop"),
			Words:        r.text(m["words"], p+".words"),
		})
	}
	return out
}

func (r *reader) consent(n *yaml.Node) annotate.Consent {
	m := r.fields(n, "consent", "consent", "audience", "obtained", "reference", "withdrawn")
	c := annotate.Consent{
		Obtained:  r.text(m["obtained"], "consent.obtained"),
		Reference: r.text(m["reference"], "consent.reference"),
		Withdrawn: r.text(m["withdrawn"], "consent.withdrawn"),
	}
	if a := r.choice(m["audience"], "consent.audience"); a != "" {
		if err := c.Audience.UnmarshalText([]byte(a)); err != nil {
			r.fail(m["audience"], "consent.audience", "%v", err)
		}
	}
	return c
}

// file reads the name of a file and enters it among the files; "" where there
// is none that may be used.
func (r *reader) file(n *yaml.Node, path string, f File) string {
	if null(n) {
		return ""
	}
	if n.Kind != yaml.ScalarNode {
		r.text(n, path)
		return ""
	}
	f.Path, f.At = n.Value, path
	if say := checkPath(f.Path); say != "" {
		r.fail(n, path, "%s", say)
		return ""
	}
	if i := slices.IndexFunc(r.files, func(o File) bool { return o.Path == f.Path }); i >= 0 {
		r.fail(n, path, "%q is named twice, also as %s; each file has one use", f.Path, r.files[i].At)
		return ""
	}
	r.files = append(r.files, f)
	return f.Path
}

func (r *reader) recordings(n *yaml.Node) []annotate.Recording {
	var out []annotate.Recording
	for i, item := range r.items(n, "recordings", annotate.MaxRecordings) {
		p := at("recordings", i)
		m := r.fields(item, p, "a recording", "file", "captions", "role", "offset")
		rec := annotate.Recording{ID: fmt.Sprintf("r%d", i+1), Role: r.text(m["role"], p+".role"), Offset: r.time(m["offset"], p+".offset")}
		if name := r.file(m["file"], p+".file", File{Use: Recording, Item: i}); name != "" {
			r.films[name] = rec.ID
		} else if m["file"] == nil {
			r.fail(item, p+".file", "a recording needs a file, as in {file: film.mp4}")
		}
		r.captions(m["captions"], p+".captions", i)
		out = append(out, rec)
	}
	return out
}

// captions reads a file, or a list of files in different languages.
func (r *reader) captions(n *yaml.Node, path string, item int) {
	if null(n) || n.Kind == yaml.ScalarNode {
		r.file(n, path, File{Use: Captions, Item: item, Language: DefaultLanguage})
		return
	}
	seen := map[string]bool{}
	for i, track := range r.items(n, path, annotate.MaxItems) {
		p := at(path, i)
		m := r.fields(track, p, "captions", "file", "language")
		language := r.text(m["language"], p+".language")
		switch {
		case language == "":
			language = DefaultLanguage
		case !languageForm.MatchString(language):
			r.fail(m["language"], p+".language", "%q is not a language tag; write it as in en or pt-BR", clip(language))
		}
		if seen[language] {
			r.fail(track, p, "captions in %q are here twice; name the language of each file", language)
		}
		seen[language] = true
		if r.file(m["file"], p+".file", File{Use: Captions, Item: item, Language: language}) == "" && m["file"] == nil {
			r.fail(track, p+".file", "captions need a file, as in {file: film.de.vtt, language: de}")
		}
	}
}

func (r *reader) stills(n *yaml.Node) []annotate.Still {
	var out []annotate.Still
	for i, item := range r.items(n, "stills", annotate.MaxStills) {
		p := at("stills", i)
		m := r.fields(item, p, "a still", "file", "when", "words")
		if r.file(m["file"], p+".file", File{Use: Still, Item: i}) == "" && m["file"] == nil {
			r.fail(item, p+".file", "a still needs a file, as in {file: day1.jpg}")
		}
		out = append(out, annotate.Still{ID: fmt.Sprintf("s%d", i+1), When: r.text(m["when"], p+".when"), Words: r.text(m["words"], p+".words")})
	}
	return out
}
