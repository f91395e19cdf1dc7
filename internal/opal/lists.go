package opal

// The vocabulary as lists, in the order in which people are told of it. Each call gives a fresh list.

// AllMaterialKinds lists the kinds of opal.
func AllMaterialKinds() []MaterialKind {
	return []MaterialKind{Hydrophane, Volcanic, Sedimentary, Fire, Common, Matrix, Boulder, UnknownKind}
}

// AllLooks lists the looks, from clear to opaque.
func AllLooks() []Look { return []Look{Transparent, Translucent, SemiOpaque, Opaque} }

// AllForms lists the forms.
func AllForms() []Form { return []Form{Rough, Preform, Cabochon, Faceted, Beads, Carving} }

// AllMoistures lists the moistures that a weighing can state.
func AllMoistures() []Moisture { return []Moisture{Dry, Room, Wet, Soaked} }

// AllTreatments lists the treatments.
func AllTreatments() []Treatment {
	return []Treatment{Dye, Smoke, SugarAcid, OilWax, Resin, Coating, Backing, Heat}
}

// AllExtents lists the extents of a treatment.
func AllExtents() []Extent { return []Extent{Full, Rim, Surface} }

// AllMethods lists the test methods.
func AllMethods() []Method {
	return []Method{WaterUptake, WaterDrop, Hydrostatic, Refractometer, Microscope, Swab, HotPoint, UVShortWave, UVLongWave,
		DeepUVImaging, Infrared, Raman, UVVis, XRF, Polariscope, SideView}
}

// AllPlaces lists the places of a test finding.
func AllPlaces() []Place { return []Place{Skin, Crack, Scratch, Body, Base} }

// AllIdentities lists the identity findings.
func AllIdentities() []Identity { return []Identity{NaturalOpal, Assembled, SyntheticOrImitation} }

// AllSampleKinds lists the kinds of sample.
func AllSampleKinds() []SampleKind { return []SampleKind{Whole, Pieces, Random, Picked} }

// AllSelections lists the ways of selecting a sample.
func AllSelections() []Selection { return []Selection{NumberedDraw, Riffled, BlindGrab, Chosen} }

// AllSplitManners lists the manners of a split.
func AllSplitManners() []SplitManner { return []SplitManner{Unsorted, Sorted, SampleSent, Sawn} }

// AllCutManners lists the manners of a cut.
func AllCutManners() []CutManner { return []CutManner{RoughCut, Calibrated, Recut, Repolish} }

// AllPurposes lists the purposes of a hand-over.
func AllPurposes() []Purpose {
	return []Purpose{ForCutting, ForTesting, ForTreatment, ForConsignment, ForTransport, ForSetting, ForRepair, ForViewing, ForReturn}
}

// AllCountWhys lists the reasons of a count.
func AllCountWhys() []CountWhy { return []CountWhy{Recount, BrokenCount, LostCount, FoundCount} }

// AllCloseReasons lists the reasons of a closing.
func AllCloseReasons() []CloseReason {
	return []CloseReason{ClosedLost, ClosedBroken, ClosedInTest, ClosedToAWearer}
}

// AllReopenWhys lists the reasons of a reopening.
func AllReopenWhys() []ReopenWhy { return []ReopenWhy{BoughtBack, ReopenRepair, ReopenReturned} }

// AllClaimKinds lists the claims.
func AllClaimKinds() []ClaimKind {
	return []ClaimKind{ClaimUntreated, ClaimNoDye, ClaimNoSmoke, ClaimNoSugarAcid, ClaimNoOilWax, ClaimNoResin, ClaimNoCoating,
		ClaimNoBacking, ClaimNoHeat, ClaimNatural, ClaimHydrophane, ClaimOrigin}
}

// AllKnowns lists the known histories of a reference stone.
func AllKnowns() []Known { return []Known{KnownUntreated, KnownTreated} }

// AllRoles lists the roles of a party.
func AllRoles() []Role { return []Role{Miner, Exporter, Dealer, Cutter, Treater, Laboratory, Retailer} }

// AllScopes lists the scopes of a token.
func AllScopes() []Scope { return []Scope{ScopeRead, ScopePost, ScopeAdmin} }

// AllKeyUses lists the uses of a key.
func AllKeyUses() []KeyUse { return []KeyUse{UseSign, UseIntake, UseCheckpoint} }

// AllFindings lists the finding codes.
func AllFindings() []string {
	return []string{FindCoarseWeighing, FindMoistureSizedGain, FindMoistureSizedLoss, FindUnexplainedLoss, FindLineGain,
		FindPiecesNotCounted, FindCountChanged, FindUnusualYield, FindArrivalDifference, FindArrivalGain, FindTreatmentGain, FindReportedLate,
		FindClaimUnsupported, FindClaimContradicted}
}

// AllKinds lists the kinds of event.
func AllKinds() []Kind {
	return []Kind{KindMined, KindAcquired, KindSplit, KindCombined, KindCut, KindTested, KindTreated, KindDescribed, KindHandedOver,
		KindSold, KindReceived, KindRefused, KindReturned, KindNothingDone, KindCounted, KindSet, KindUnset, KindReferenceSet,
		KindClosed, KindReopened, KindCorrected, KindWithdrawn, KindEnrolled, KindTokenIssued, KindTokenRevoked, KindKeyAdded,
		KindKeyRevoked, KindMethodValidated, KindPolicySet, KindLogOpened, KindHandleIssued, KindHandleRevoked}
}

// ReplaceableKinds lists the kinds whose body a correction can replace.
func ReplaceableKinds() []Kind {
	return []Kind{KindMined, KindAcquired, KindSplit, KindCombined, KindCut, KindTested, KindTreated, KindDescribed, KindHandedOver,
		KindSold, KindReceived, KindNothingDone, KindCounted, KindClosed, KindMethodValidated}
}
