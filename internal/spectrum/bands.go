package spectrum

// family is what bands have in common: bands of one family say the same thing again.
type family string

const (
	aliphatic family = "aliphatic C–H"
	aromatic  family = "aromatic rings"
	carbonyl  family = "carbonyl"
	opalBand  family = "opal"
	carbonD   family = "carbon D"
	carbonG   family = "carbon G"
)

// band is a stretch of a spectrum in which a substance shows. The limits are conventions of this service, drawn around positions that are from memory
// where mark is M: spectroscopic handbooks agree on them to some 10 cm⁻¹, and none was read in print. They mark and measure; they never name a substance.
type band struct {
	// name begins the names of its figures.
	name, what string
	low, high  float64
	family     family
	// narrow and wide are how wide its peaks are at half their prominence, at least and at most: narrower ones are water vapour of the air, single points and
	// cosmic rays; broader ones belong to something else. 0: no limit.
	narrow, wide float64
	mark         string
	// standard: it is opal's own, and may serve as the inner measure of others; in order of preference.
	standard bool
	// moist: how strong it is follows the moisture of the stone.
	moist bool
}

// region is a stretch that is read in one piece: its own baseline, its own noise.
type region struct {
	name      string
	low, high float64
	// wave is how long a wave in cm⁻¹ passes into the baseline by half.
	wave  float64
	bands []band
}

// infraredRegions hold what is measured of an infrared spectrum. Through a stone of some millimetres silica lets nothing pass below about 2500 cm⁻¹, so that the
// stretching bands around 2900 and the combinations and overtones in the near infrared are what there is; of powder or by reflectance the rest shows too.
var infraredRegions = []region{
	{"silica, 800 cm⁻¹", 740, 870, 400, []band{
		{name: "silica800", what: "silica, 800 cm⁻¹", low: 770, high: 830, family: opalBand, wide: 120, mark: "M", standard: true},
	}},
	{"C–H bending and rings", 1415, 1560, 300, []band{
		{name: "chBending", what: "C–H bending", low: 1435, high: 1480, family: aliphatic, narrow: 4, wide: 60, mark: "M"},
		{name: "ring1510", what: "aromatic ring, 1510 cm⁻¹", low: 1495, high: 1525, family: aromatic, narrow: 4, wide: 40, mark: "M"},
	}},
	{"carbonyl", 1685, 1800, 300, []band{
		{name: "carbonyl", what: "carbonyl", low: 1700, high: 1770, family: carbonyl, narrow: 5, wide: 60, mark: "M"},
	}},
	{"silica, 1870 cm⁻¹", 1780, 1940, 600, []band{
		{name: "silica1870", what: "silica overtone, 1870 cm⁻¹", low: 1830, high: 1910, family: opalBand, wide: 160, mark: "M", standard: true},
	}},
	{"C–H stretching", 2720, 3120, 500, []band{
		{name: "chStretching", what: "C–H stretching", low: 2820, high: 3000, family: aliphatic, narrow: 4, wide: 100, mark: "M"},
		{name: "aromaticStretching", what: "aromatic C–H stretching", low: 3015, high: 3090, family: aromatic, narrow: 4, wide: 60, mark: "M"},
	}},
	{"C–H combinations", 4150, 4385, 500, []band{
		{name: "chCombination", what: "C–H combinations", low: 4200, high: 4365, family: aliphatic, narrow: 5, wide: 120, mark: "M"},
	}},
	{"silanol combination", 4380, 4800, 900, []band{
		{name: "silanol4500", what: "silanol combination, 4500 cm⁻¹", low: 4420, high: 4640, family: opalBand, wide: 300, mark: "M", standard: true},
	}},
	{"water combination", 4900, 5450, 1200, []band{
		{name: "water5200", what: "water combination, 5200 cm⁻¹", low: 5050, high: 5320, family: opalBand, wide: 350, mark: "M", standard: true, moist: true},
	}},
	{"C–H overtones", 5500, 6100, 700, []band{
		{name: "chOvertone", what: "C–H overtones", low: 5620, high: 5990, family: aliphatic, narrow: 5, wide: 150, mark: "M"},
	}},
}

// ramanRegions hold what is measured of a Raman spectrum. The two bands of disordered carbon were published of untreated black opal at 1346 and 1585 cm⁻¹.
var ramanRegions = []region{
	{"vibrations below 1800 cm⁻¹", 180, 1800, 1500, []band{
		{name: "opal400", what: "opal, 200 to 500 cm⁻¹", low: 200, high: 520, family: opalBand, wide: 350, mark: "M", standard: true},
		{name: "opal785", what: "opal, 785 cm⁻¹", low: 760, high: 850, family: opalBand, wide: 120, mark: "M", standard: true},
		{name: "silanol965", what: "silanol, 965 cm⁻¹", low: 940, high: 1000, family: opalBand, wide: 80, mark: "M"},
		{name: "opal1070", what: "opal, 1070 cm⁻¹", low: 1030, high: 1110, family: opalBand, wide: 150, mark: "M"},
		{name: "carbonD", what: "carbon, 1350 cm⁻¹", low: 1300, high: 1400, family: carbonD, narrow: 35, wide: 350, mark: "V"},
		{name: "chBending", what: "C–H bending", low: 1430, high: 1475, family: aliphatic, narrow: 11, wide: 35, mark: "M"},
		{name: "carbonG", what: "carbon, 1590 cm⁻¹", low: 1560, high: 1620, family: carbonG, narrow: 30, wide: 200, mark: "V"},
		{name: "ring1608", what: "aromatic ring, 1608 cm⁻¹", low: 1595, high: 1618, family: aromatic, narrow: 10, wide: 30, mark: "M"},
		{name: "water1640", what: "water, 1640 cm⁻¹", low: 1615, high: 1680, family: opalBand, wide: 200, mark: "M", moist: true},
	}},
	{"C–H stretching", 2700, 3120, 900, []band{
		{name: "chStretching", what: "C–H stretching", low: 2820, high: 3000, family: aliphatic, narrow: 11, wide: 150, mark: "M"},
		{name: "aromaticStretching", what: "aromatic C–H stretching", low: 3015, high: 3095, family: aromatic, narrow: 11, wide: 60, mark: "M"},
	}},
}

// Where neither opal nor what is looked for has bands: the noise is read there, and what stands there all the same. The carbon dioxide of the air stands at 2300 to
// 2380 cm⁻¹.
var (
	calmInfrared = []region{{name: "without bands", low: 2440, high: 2720, wave: 500}, {name: "without bands", low: 3850, high: 4150, wave: 500}, {name: "without bands", low: 6100, high: 6500, wave: 500}}
	calmRaman    = []region{{name: "without bands", low: 1800, high: 2300, wave: 500}, {name: "without bands", low: 2380, high: 2680, wave: 500}}
)
