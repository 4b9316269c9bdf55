package expiry

import "slices"

// The cautions that stand beside dates, word for word.
const (
	// CautionLaw stands beside every date, and where there is none.
	CautionLaw = "Worked out from what was recorded: it shows no food to be safe. Local food law, the competent authority and a qualified food-safety professional decide."
	// CautionUseBy is art. 24(1) of Regulation (EU) 1169/2011 with art. 14 of Regulation (EC) 178/2002 in short.
	CautionUseBy = "After its use-by date it may not be sold, given away or used."
	// CautionBestBefore is the other half: a decision of the shop.
	CautionBestBefore = "After its best-before date, taste first: selling it is the shop's decision, and the customer is told."
	// CautionNoDate stands where nothing says yet how long a thing keeps.
	CautionNoDate = "No date yet: it may not be sold."
	// CautionNoMark stands beside a lot that came without a date mark and was given no days by the shop.
	CautionNoMark = "It came with no date mark."
	// CautionMeasured stands beside a date that rests on a measured water activity.
	CautionMeasured = "A measured water activity holds for the age and the packing of the sample."
	// CautionEstimated stands beside a date that rests on an estimated water activity: these words, as they are.
	CautionEstimated = "Estimated, not validated"
	// CautionEstimateError says how far off an estimate may be (common practice, no source).
	CautionEstimateError = "A measured water activity may be 0.03 higher or lower than the estimate: near a limit, have it measured."
	// CautionInvert stands beside an estimate of a filling whose sugar is mostly glucose and fructose.
	CautionInvert = "Most of what is dissolved in it is invert sugar, for which the estimate was checked least: have it measured."
	// CautionEthanol stands beside a date of a filling with spirit.
	CautionEthanol = "Its alcohol gives it no days: the water activity is taken without it."
	// CautionEthanolMeter stands beside a measured water activity of a filling with spirit.
	CautionEthanolMeter = "It holds alcohol, with which some instruments misread: the laboratory says whether its own does."
	// CautionFarOff stands where what was measured is not what the composition comes to.
	CautionFarOff = "What was measured is more than 0.05 from what its composition comes to: check the sample and the weights."
	// CautionNotMeasured stands where nobody measured the temperature of a place that it stood in.
	CautionNotMeasured = "Storage not measured: it counts at the upper limit of its class."
	// CautionThawed stands beside the date of what came out of the freezer.
	CautionThawed = "Thaw sealed: water that condenses on it shortens its life. Never freeze it again."
	// CautionUnsealed stands where freezing did not stop the clock because the thing was not sealed.
	CautionUnsealed = "It was not sealed in the freezer: its time there counts as life spent."
	// CautionLonger stands beside a date that the shop's own table of lives makes later than the shipped one would.
	CautionLonger = "The shop's own table gives it longer than the shipped one: the shop answers for that."
	// CautionNotPackedHot stands where a filling was packed hot and no heat step is on record that would count.
	CautionNotPackedHot = "It was packed hot, but no boil, nor 70 °C for 2 minutes, is on record: it counts as not heated."
	// CautionNotCooled stands beside a boiled filling of which nobody read in time how it cooled.
	CautionNotCooled = "Nothing was read that shows how fast it cooled: boiled filling goes from 57 to 21 °C within 2 hours, and to 5 °C within 6 hours in all."
	// CautionRefrozen stands where freezing did not stop the clock because it was the second time.
	CautionRefrozen = "It was frozen before: its time in the freezer counts as life spent."
)

// cautionsOf gives the cautions that every answer of a filling or a piece of that kind has.
func cautionsOf(kind string, dated bool) []string {
	switch {
	case !dated:
		return []string{CautionLaw, CautionNoDate}
	case kind == KindUseBy:
		return []string{CautionLaw, CautionUseBy}
	default:
		return []string{CautionLaw, CautionBestBefore}
	}
}

// ofItsOwn leaves out the cautions that another answer states for itself.
func ofItsOwn(cautions []string) []string {
	common := []string{CautionLaw, CautionNoDate, CautionNoMark, CautionUseBy, CautionBestBefore}
	return slices.DeleteFunc(slices.Clone(cautions), func(c string) bool { return slices.Contains(common, c) })
}

// together joins cautions, each once, in the order in which they first came.
func together(lists ...[]string) []string {
	var all []string
	for _, list := range lists {
		for _, caution := range list {
			if !slices.Contains(all, caution) {
				all = append(all, caution)
			}
		}
	}
	return all
}
