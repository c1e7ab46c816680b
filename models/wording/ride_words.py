"""What is said of two recordings of one ride: why a pair is void, and what to watch for."""

RIDE_WORDS = {
    # why a pair proves nothing
    "same_sensor": "Both recordings come from the same power sensor (serial {serial}): the pair "
    "proves nothing.",
    "same_numbers": "In {equal:whole_percent} of the seconds both recordings show the same number: "
    "one holds the other's power, and the pair proves nothing.",
    "follows_other": "The ratio is 1.000 and the two differ by only {noise_w:fixed1} W from second "
    "to second, less than two sensors can: one repeats the other's power, as a trainer does that "
    "is steered by the meter. The pair proves nothing.",
    "same_steps": "Meter and reference show the same power in every step, closer than two devices "
    "can: the reference was steered by the meter, or one holds the other's power. It proves "
    "nothing.",
    "hub_on_trainer": "A hub cannot be ridden on a trainer that replaces the rear wheel, nor on an "
    "ergometer: it was not in the bike. Check which meter and which reference this ride was; a hub "
    "is compared with another meter on the same bike.",
    # doubts about a pair that still counts
    "close_followers": "The two follow each other to {noise_w:fixed1} W from second to second, "
    "better than two sensors usually do: make sure that neither was computed from the other.",
    "ratio_of_one": "The ratio is 1.000 almost exactly: make sure that the trainer was not steered "
    "by the meter (power matching off).",
    # clocks
    "clocks_undated": "The {which}'s times are seconds without a date, the other's are time "
    "stamps: both are counted from their first record, and so is the lag.",
    "zone_assumed": "The {which}'s times carry no time zone and were read as UTC.",
    "lag_uncertain": "The lag is uncertain: {first_s:signed0} s and {second_s:signed0} s fit "
    "almost equally well, as with equal intervals repeated. Check it against a sprint or a stop.",
    "clocks_apart": "The clocks differ by {apart_s:span}; the powers match only with that lag.",
    "other_time_zone": "The clocks differ by {apart_s:span}; the powers match only with that lag. "
    "It is close to whole or half hours: one clock is likely in another time zone.",
    "lag_untold": "The lag cannot be told: the two powers do not follow each other closely enough. "
    "If this is the same ride, its power hardly changes; the stamps are taken as they are.",
    "lag_changes": "The lag changes within the ride (a paused or corrected clock): "
    "{minutes:fixed0} min lie on another lag and are left out.",
    # what the ride can and cannot say
    "not_one_ride": "No ratio can be given: one power does not follow the other. Are these "
    "recordings of the same ride?",
    "too_little_steady": "No ratio can be given: only {seconds:plain} s of steady riding are "
    "common to both. The excluded seconds say what was lost.",
    "narrow_power": "The range of power ({low_w:fixed0} to {high_w:fixed0} W) is too narrow to "
    "separate the gain from the zero offset: {prior:whole_percent} of what is known of the zero "
    "offset is the usual sd of {sd_nm:plain} N·m, and the interval is wider for it. Ride steps "
    "from easy to hard, and zero the meter before.",
    "constant_part": "A constant part of {constant_w:signed1} W does not go with the cadence as a "
    "zero offset does: drag or the reference's own offset. It is kept out of the gain.",
    "no_cadence": "Neither recording carries cadence: the constant part is in watts and cannot be "
    "told as a zero-offset torque.",
    "one_cadence": "Ridden at one cadence (about {cadence_rpm:fixed0} rpm): a zero-offset torque "
    "and a constant number of watts, such as drag, cannot be told apart.",
    "ratio_drifts": "The ratio drifts by {change_pct:signed1} % (± {half_pct:fixed1} %) from start "
    "to end: a warm-up or a zero that moved. See the ratio by time; repeat with both devices warm.",
    "ratio_bends": "The ratio changes with the power, by {bend_pct:signed1} % (± {half_pct:fixed1} "
    "%) over 100 W: one of the two is not straight. The gain ratio holds at {at_w:fixed0} W, the "
    "ride's mean, and its interval is wider for it. See the ratio by power.",
    "one_way": "The power only rose, or only fell: a warm-up, a bend and a zero offset cannot be "
    "told apart. The interval allows for a usual warm-up; ride easy and hard steps in turn, with "
    "both devices warm.",
    "line_misfit": "The ratio by power lies on no line: see it by power, and "
    "trust the gain ratio near the ride's mean power only.",
    "dropped_out": "The {which} dropped out for {seconds:plain} s.",
    "recorded_nothing": "The {which} recorded nothing for {seconds:plain} s of the overlap.",
    "little_riding": "Only {seconds:plain} s of steady riding could be used; 20 minutes say much "
    "more.",
    # steady steps typed as a table
    "no_power": "No step has power on both sides.",
    "one_step": "One step only: gain and zero offset cannot be told apart.",
    "steps_without_cadence": "No cadence: the zero offset cannot be told.",
}
