package pages

import (
	"slices"

	"google.golang.org/protobuf/proto"

	pb "github.com/lotpaper/lotpaper/internal/gen/lotpaper/v1"
	"github.com/lotpaper/lotpaper/internal/opal"
)

// field is one thing that a form asks for. Its path is where its value goes in the event.
type field struct {
	Path string
	// Type says how the value is written: text, long, mass, count, number, numbers, words (a list of texts, one a line), choice, checks, yes, date, party, lot.
	Type     string
	Kind     string // of the words of a choice
	Options  []string
	Value    string // set before anybody writes
	Required bool
	Private  bool
	// For limits an option to what another field was given: the outcome words of a method.
	For map[string][]string
}

// rows are parts of a form that repeat, such as the stones of a cut.
type rows struct {
	Path   string
	Fields []field
	// Min is how many there are at the beginning.
	Min int
	// Role says what they are in a balance: out.
	Role string
}

// work is one thing that can be recorded at the bench.
type work struct {
	Do   string
	Body string // the event's body; "": Do
	// Opens says that the event opens a lot of its own, so that none is chosen before.
	Opens bool
	// Balance says that what comes out is compared with what went in, while it is written.
	Balance bool
	Fields  []field
	Rows    []rows
	// Weighed says that a moisture belongs to it.
	Weighed bool
}

func words[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = string(w)
	}
	return out
}

// works are what the bench records, in the order in which a cutter meets them.
func works() []work {
	material := []field{
		{Path: "material.kind", Type: "choice", Kind: "material", Options: words(opal.AllMaterialKinds()), Required: true, Value: "HYDROPHANE"},
		{Path: "material.look", Type: "choice", Kind: "look", Options: words(opal.AllLooks())},
		{Path: "material.bodyColour", Type: "text"},
		{Path: "form", Type: "choice", Kind: "form", Options: words(opal.AllForms())},
		{Path: "pieces", Type: "count"},
		{Path: "mass", Type: "mass", Required: true},
	}
	part := []field{{Path: "lot", Type: "lot", Required: true}, {Path: "pieces", Type: "count"}, {Path: "mass", Type: "mass", Required: true}}
	stone := []field{
		{Path: "lot", Type: "lot", Required: true}, {Path: "pieces", Type: "count", Value: "1"}, {Path: "mass", Type: "mass", Required: true},
		{Path: "form", Type: "choice", Kind: "form", Options: []string{"CABOCHON", "FACETED", "BEADS", "CARVING", "PREFORM"}, Value: "CABOCHON"},
		{Path: "shape", Type: "text"}, {Path: "dimensionsMm", Type: "numbers"},
	}
	loss := []field{
		{Path: "loss.mass", Type: "mass"}, {Path: "loss.pieces", Type: "count"}, {Path: "loss.why", Type: "text"}, {Path: "loss.measured", Type: "yes"},
	}
	outcomes := map[string][]string{}
	for _, m := range opal.AllMethods() {
		outcomes[string(m)] = words(opal.Outcomes(m))
	}
	treatments := words(opal.AllTreatments())
	return []work{
		{Do: "split", Balance: true, Weighed: true, Rows: []rows{{Path: "children", Fields: part, Min: 2, Role: "out"}}, Fields: slices.Concat([]field{
			{Path: "manner", Type: "choice", Kind: "splitmanner", Options: words(opal.AllSplitManners()), Value: "SORTED"},
			{Path: "rest.pieces", Type: "count"}, {Path: "rest.mass", Type: "mass"},
		}, loss, []field{
			{Path: "selectedBy", Type: "party"}, {Path: "selection", Type: "choice", Kind: "selection", Options: words(opal.AllSelections())}, {Path: "sortedBy", Type: "party"},
		})},
		{Do: "cut", Balance: true, Weighed: true, Rows: []rows{{Path: "stones", Fields: stone, Min: 1, Role: "out"}, {Path: "offcuts", Fields: part, Role: "offcut"}}, Fields: slices.Concat([]field{
			{Path: "manner", Type: "choice", Kind: "cutmanner", Options: words(opal.AllCutManners()), Value: "ROUGH_CUT"},
		}, loss)},
		{Do: "tested", Fields: []field{
			{Path: "method", Type: "choice", Kind: "method", Options: words(opal.AllMethods()), Required: true},
			{Path: "outcome", Type: "choice", Kind: "outcome", For: outcomes},
			{Path: "lookedFor", Type: "checks", Kind: "treatment", Options: treatments},
			{Path: "sample.kind", Type: "choice", Kind: "samplekind", Options: words(opal.AllSampleKinds()), Value: "WHOLE"},
			{Path: "sample.tested", Type: "count"}, {Path: "sample.of", Type: "count"}, {Path: "sample.positive", Type: "count"},
			{Path: "sample.selectedBy", Type: "party"}, {Path: "sample.selection", Type: "choice", Kind: "selection", Options: words(opal.AllSelections())},
			{Path: "identity", Type: "choice", Kind: "identity", Options: words(opal.AllIdentities())},
			{Path: "instrument", Type: "text"}, {Path: "protocol", Type: "text"},
			{Path: "conditions", Type: "pairs"},
		}, Rows: []rows{{Path: "findings", Fields: []field{
			{Path: "outcome", Type: "choice", Kind: "outcome", For: outcomes, Required: true},
			{Path: "treatment", Type: "choice", Kind: "treatment", Options: treatments},
			{Path: "where", Type: "choice", Kind: "where", Options: words(opal.AllPlaces())},
			{Path: "note", Type: "text"},
		}}}},
		{Do: "uptake", Body: "tested"},
		{Do: "treated", Weighed: true, Fields: []field{
			{Path: "treatment", Type: "choice", Kind: "treatment", Options: treatments, Required: true},
			{Path: "medium", Type: "text"}, {Path: "extent", Type: "choice", Kind: "extent", Options: words(opal.AllExtents())},
			{Path: "massBefore", Type: "mass"}, {Path: "massAfter", Type: "mass"},
			{Path: "process.temperatureCelsius", Type: "number"}, {Path: "process.durationHours", Type: "number"}, {Path: "process.steps", Type: "words"},
		}},
		{Do: "handedOver", Fields: []field{
			{Path: "to", Type: "party", Required: true},
			{Path: "purpose", Type: "choice", Kind: "purpose", Options: words(opal.AllPurposes()), Required: true},
		}},
		{Do: "sold", Fields: []field{
			{Path: "to", Type: "party", Required: true},
			{Path: "claims", Type: "checks", Kind: "claim", Options: slices.DeleteFunc(words(opal.AllClaimKinds()), func(c string) bool { return c == "ORIGIN" })},
			{Path: "price", Type: "text", Private: true},
		}},
		{Do: "received", Weighed: true, Balance: true, Fields: []field{{Path: "pieces", Type: "count"}, {Path: "mass", Type: "mass"}}},
		{Do: "refused", Fields: []field{{Path: "because", Type: "text", Required: true}}},
		{Do: "cameback", Body: "received", Weighed: true, Balance: true, Fields: []field{{Path: "cameBack", Type: "fixed", Value: "true"}, {Path: "pieces", Type: "count"}, {Path: "mass", Type: "mass"}}},
		{Do: "described", Fields: []field{
			{Path: "bodyColour", Type: "text"}, {Path: "bodyTone", Type: "count"}, {Path: "transparency", Type: "choice", Kind: "look", Options: words(opal.AllLooks())},
			{Path: "playOfColour", Type: "text"}, {Path: "dimensionsMm", Type: "numbers"}, {Path: "measuredMass", Type: "mass"}, {Path: "picture", Type: "picture"},
		}, Weighed: true},
		{Do: "counted", Weighed: true, Balance: true, Fields: []field{
			{Path: "why", Type: "choice", Kind: "countwhy", Options: words(opal.AllCountWhys()), Required: true}, {Path: "pieces", Type: "count"}, {Path: "mass", Type: "mass"},
		}},
		{Do: "nothingDone", Fields: []field{{Path: "from", Type: "date", Required: true}, {Path: "to", Type: "date", Required: true}}},
		{Do: "mined", Opens: true, Weighed: true, Fields: slices.Concat([]field{
			{Path: "origin.country", Type: "country", Required: true}, {Path: "origin.region", Type: "text", Private: true}, {Path: "origin.deposit", Type: "text", Private: true}, {Path: "origin.licence", Type: "text", Private: true},
		}, material)},
		{Do: "acquired", Opens: true, Weighed: true, Fields: slices.Concat(material, []field{
			{Path: "statedOrigin", Type: "country"}, {Path: "statedTreatments", Type: "checks", Kind: "treatment", Options: treatments}, {Path: "statedUntreated", Type: "yes"},
			{Path: "from", Type: "text", Private: true},
		})},
	}
}

// benchView fills the bench.
type benchView struct {
	Work   *work
	Works  []work
	Lot    string
	Held   []*pb.LotSummary
	More   bool
	Party  string
	In     *weighedView
	Policy *pb.Policy
	// Cautions are the safety cautions of every method and treatment that the form offers.
	Cautions []string
	Wrong    string
}

// weighedView is what the account of a lot says of its mass, for the balance.
type weighedView struct {
	Mass       string
	Micrograms int64
	Step       int64
	Pieces     string
	Moisture   string
	Material   string
	Form       string
}

// bench is where work is recorded.
func (p *Pages) bench(v *visit) (*answer, error) {
	q := v.URL.Query()
	out := &benchView{Works: works(), Party: v.Party, Lot: q.Get("lot")}
	for i := range out.Works {
		if out.Works[i].Do == q.Get("do") {
			out.Work = &out.Works[i]
		}
	}
	title := v.look.text("bench.title")
	if out.Work != nil {
		title = v.look.text("do." + out.Work.Do)
	}
	if out.Work == nil || !out.Work.Opens && out.Lot == "" {
		in := &pb.ListLotsRequest{Holder: proto.String("me"), State: proto.String("OPEN"), PageSize: proto.Int32(lotsOnAPage)}
		if out.Work != nil && (out.Work.Do == "received" || out.Work.Do == "refused") {
			in = &pb.ListLotsRequest{Pending: proto.String("me"), PageSize: proto.Int32(lotsOnAPage)}
		}
		list, err := p.status.ListLots(v.ctx, in)
		if err != nil {
			return nil, err
		}
		out.Held, out.More = list.GetLots(), list.GetNextPageToken() != ""
		return &answer{template: "benchlots", title: title, data: out}, nil
	}
	log, err := p.status.GetLog(v.ctx, &pb.GetLogRequest{})
	if err != nil {
		return nil, err
	}
	out.Policy = log.GetPolicy()
	if !out.Work.Opens {
		a, err := p.status.GetLot(v.ctx, &pb.GetLotRequest{Lot: out.Lot})
		if err != nil {
			return nil, err
		}
		out.In = weighedOf(a)
		known := false
		for _, x := range actionsOn(a, v.Party) {
			known = known || x.Do == out.Work.Do || out.Work.Do == "uptake" && x.Do == "tested"
		}
		if !known {
			out.Wrong = v.look.text("bench.wrong", out.Lot, a.GetHolder(), v.look.word("state", a.GetState()))
		}
	}
	switch out.Work.Do {
	case "tested":
		out.Cautions = words(opal.AllMethods())
	case "uptake":
		out.Cautions = []string{"WATER_UPTAKE"}
	case "treated":
		out.Cautions = words(opal.AllTreatments())
	case "cut", "split":
		out.Cautions = []string{"CUTTING"}
	}
	name := "bench"
	if out.Work.Do == "uptake" {
		name = "uptake"
	}
	return &answer{template: name, title: title, data: out}, nil
}

func weighedOf(a *pb.GetLotResponse) *weighedView {
	w := &weighedView{
		Mass: a.GetMass(), Micrograms: a.GetMassMicrograms(), Step: 1, Moisture: a.GetMoisture(), Material: a.GetMaterial().GetKind(), Form: a.GetForm(),
	}
	if a.Pieces != nil {
		w.Pieces = plain(int64(a.GetPieces()))
	}
	if n := len(a.GetWeighings()); n > 0 {
		w.Step = a.GetWeighings()[n-1].GetStepMicrograms()
	}
	return w
}
