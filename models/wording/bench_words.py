"""What is said of a bench session: assumptions, refusals, suspicions, findings and advice."""

_REMAINS = "{residual_pct:signed2} % would remain of {error_pct:signed2} %"

BROWSER_WORDS = {
    # suspicions; where it helps, `where` is the arm and ring of a reading
    "not_soaked": "{soak_min:plain} minutes at this temperature are too few: wait half an hour and "
    "repeat.",
    "length_set_otherwise": "{programmed_mm:plain} mm are set in the meter, the crank has "
    "{length_mm:plain} mm: " + _REMAINS + ". Set the length; leave the slope alone.",
    "negative": "The readings are negative; with their sign turned, " + _REMAINS + ". A slip of "
    "the sign, or the crank was loaded backward: look, and read it again.",
    "next_to_nothing": "The meter shows next to nothing: the masses may hang on the other side, "
    "or the meter may show torque only when it turns.",
    "odd_reading": "{torque_nm:plain} N·m{where:bracketed} is {off_pct:fixed1} % off the other "
    "readings, which fit {fits_nm:fixed2} N·m: read it again.",
    "mistyped": "{torque_nm:plain} N·m{where:bracketed} looks mistyped, ten times what fits: read "
    "it again.",
    "no_zero": "No zero was read: an offset of {offset_nm:signed2} N·m would explain it. Take the "
    "zero and repeat.",
    "explained": "{mistake} would explain it: " + _REMAINS + ".",
    "explained_by_slope": "{mistake} would explain it: what was found, {error_pct:signed2} %, is "
    "then just what the meter was left with.",
    "slope_changed": "The{side:then} slope was changed the wrong way: {entered} was entered, "
    "{right} reads right. Does it multiply or divide?",
    "set_off": "The fleet finds {bench_id} {off_pct:signed2} % off its stamp: where "
    "{stamp_nm:fixed2} N·m hang by the stamp, {fleet_nm:fixed2} N·m do ({low_nm:fixed2} to "
    "{high_nm:fixed2}). Weigh the set: hanging again cannot tell.",
    # what to look at before the slope is changed
    "check": "{look}. {mistake} would leave {residual_pct:signed2} %.",
    "check_slope": "{look}. {mistake} would explain the difference.",
    "check_meter": "{look}. It may have moved by itself; then a second hang finds the same.",
    "check_zero": "{look}. An offset of {offset_nm:signed2} N·m would explain the difference.",
    "look_slope": "The slope that the meter shows now",
    "look_slope_direction": "Whether the slope multiplies or divides",
    "look_crank_length": "The length stamped on the crank",
    "look_hanger": "The hanger, on the bench and in the entry",
    "look_masses": "Which masses hang, plate by plate",
    "look_unit": "The unit of the masses, and of the display",
    "look_display": "Whether the display shows one side or both",
    "look_point": "The decimal point of what was typed",
    "look_level": "The crank with a level",
    "look_ring": "The ring that the chain is on",
    "look_cog": "The cog that the chain is on: count its teeth",
    "look_zero": "The zero: take it with nothing on",
    "look_meter": "The meter: marks of a crash, loose bolts, a service nobody wrote down",
    # the mistakes that may explain an error
    "other_crank": "A crank of {true_mm:plain} mm instead of {entered_mm:plain} mm",
    "other_length_set": "{set_mm:plain} mm set in the meter on a crank of {entered_mm:plain} mm",
    "hanger_left_out": "The hanger of {hanger_kg:plain} kg left out of the entry",
    "hanger_counted_twice": "A hanger of {hanger_kg:plain} kg that was counted but not hung, or "
    "counted twice,",
    "other_set": "The masses of {bench_id} ({true_kg:plain} kg with hanger) instead of "
    "{entered_kg:plain} kg",
    "plate_more": "A plate of {plate_kg:plain} kg more than entered",
    "plate_less": "A plate of {plate_kg:plain} kg less than entered",
    "mass_in_pounds": "A mass in pounds ({mass:plain} lb) entered as kilograms",
    "mass_converted": "A mass in kilograms converted as if it were in pounds",
    "display_unit": "A display in {unit}",
    "display_doubled": "A display that shows one side doubled",
    "display_halved": "A display that shows half of what the side carries",
    "off_level": "A crank {angle_deg:plain}° off level",
    "level_after_all": "A level crank, not one at {angle_deg:plain}°",
    "tenfold": "A decimal point one place off in every reading",
    "other_slope": "A slope of {left}, as last left, instead of {shown}",
    "slope_acts_otherwise": "A slope that is a {convention}, not a {entered},",
    "other_cog": "A cog of {true_teeth:plain} teeth instead of {entered_teeth:plain}",
    "other_ring": "The chain on the ring of {true_teeth:plain} teeth, not of "
    "{entered_teeth:plain},",
}
"""The templates that the browser needs too: it words its own suspicions without the server."""

BENCH_WORDS = {
    # why a reading does not count, or a session has no gain error
    "no_mass": "No mass is given, nor a mass set that has one.",
    "no_length": "No crank length is given.",
    "no_torque": "Mass, crank length and angle give no torque.",
    "no_teeth": "Cog and chainring teeth are needed for a hub.",
    "kind_unknown": "A cog is given, but no table says what kind of meter this is, so what the "
    "masses should show cannot be told. Give the table meters beside this one, with kind hub; or "
    "write lever_on_cassette as loading_path.",
    "arm_not_seen": "A {title} says nothing about the {arm} arm.",
    "no_as_found": "No reading with a mass was taken as found.",
    "nothing_hung": "No reading with a mass.",
    "readings_left_out": "{each:joined}",
    "turning_only": "This meter shows torque only when it turns: compare it on rides.",
    "oval_through_crank": "A hub behind an oval ring cannot be judged through the crank: the "
    "ring's local radius acts. Hang the masses from a lever on the cassette.",
    "inputs_unreadable": "Its inputs could not be read ({problem}).",
    "not_computed": "It could not be evaluated ({problem}).",
    # assumptions
    "length_limit_assumed": "The crank length's limits are not given: ± {limit_mm:plain} mm are "
    "taken.",
    "hanger_included": "The mass of {mass_kg:plain} kg is taken to include the mass set's hanger.",
    "hanger_of_set": "The hanger of {hanger_kg:plain} kg is taken from the mass set.",
    "lever_assumed": "No cog is given: the masses are taken to hang from a lever.",
    "chain_both_ways": "Loaded up and down: the chain's friction is taken to average out to "
    "± {limit_pct:plain} %.",
    "chain_one_way": "Loaded one way only: the chain is taken to lose {loss_pct:plain} % "
    "± {limit_pct:plain} %.",
    "reading_sd_taken": "The spread noted with a reading (reading_sd_nm) is taken as its standard "
    "uncertainty.",
    "levelled_by_eye": "The crank was levelled by eye: ± {sd_deg:plain}° (one standard deviation).",
    "set_overdue": "The mass set's calibration ran out on {due_on:day}.",
    "standard_gravity": "Gravity is not given: {value_ms2:plain} ± {limit_ms2:plain} m/s² is "
    "taken.",
    "altitude_assumed": "Altitude is not given: 0 ± {limit_m:plain} m is taken.",
    "masses_stamped": "The masses are known by their stamp only: ± {limit_pct:plain} %.",
    "masses_weighed": "The masses were weighed and no limits are given: ± {limit_pct:plain} % for "
    "the scale, ± {limit_ms2:plain} m/s² for the gravity where it was adjusted.",
    "class_assumed": "The masses' limits are not given: class {mass_class} is taken.",
    "class_unknown": "Mass class {given} is not in OIML R 111: {mass_class} is taken.",
    "scale_in_limits": "The stated limits are taken to include the place where the scale was "
    "adjusted.",
    # suspicions that only the server has the data for
    "rings_swapped": "The difference between the rings is as large as last time, but the other way "
    "round: the rings may be swapped in the entry.",
    "arms_swapped": "The difference between the arms is as large as last time, but the other way "
    "round: the arms may be swapped in the entry.",
    "other_zero": "The loads point at a zero {offset_nm:signed2} N·m off the one that was read; "
    "without it, " + _REMAINS + ". Take the zero again.",
    # findings
    "length_set_with_slope": "{programmed_mm:plain} mm are set in the meter, the crank has "
    "{length_mm:plain} mm, and the slope suits that: with the length alone set right, "
    "{residual_pct:signed2} % would remain. Set length and slope together, or neither.",
    "arms_differ": "Left − right is {gap_pct:signed2} %: a crank off level on one side, or drag or "
    "looseness in axle, bearings or bolts. Mend it and measure again (after_work) before any "
    "reset.",
    "work_changed": "The work changed the error by {change_pct:signed2} %: that part was no drift, "
    "and the advice rests on what was measured after it.",
    "oval_rings": "Oval rings: on the road torque times mean cadence reads high by some percent, "
    "which the bench cannot see and no slope mends.",
    "rings_differ": "Small − large ring is {gap_pct:signed2} %: check the ring bolts.",
    "arm_not_loaded": "The {arm} arm was not loaded: nothing is known of it.",
    "one_ring_only": "Only the {ring} ring was used: nothing is known of the other.",
    "ring_matters_not": "A chainring makes no difference to a {title}.",
    "left_out": "Readings left out: {each:joined}",
    "scatter": "Repeated readings scatter by {sd_pct:fixed2} %: hang again, with the masses at "
    "rest.",
    "ripple": "The readings ripple by more than {limit_pct:plain} %: average whole swings, or "
    "still the masses.",
    "bend": "The readings leave a straight line by {bend_pct:fixed2} % of the largest load.",
    "large_zero": "{zero_nm:signed2} N·m are shown with nothing on: zero the meter before it is "
    "ridden.",
    "slope_slip": "The{side:then} slope entered is {off_pct:signed2} % off the recommendation: a "
    "slip of the keys?",
    # advice
    "setting_explains": "A setting explains the error: mend it, leave the slope alone.",
    "slope_to_undo": "The slope that was entered makes it worse: mend that first.",
    "not_trusted": "Not to be trusted yet ({suspected:names}): look, then repeat.",
    "outside_forecast": "{found} is outside what was forecast: look, hang again, and enter that as "
    "a session of its own; if it finds the same, the slope is reset.",
    "look_first": "{found}: a slip would explain it too, and looking is quicker than a wrong "
    "slope: look, hang again, and enter that as a session of its own.",
    "no_repeat_helps": "{found}: hanging again cannot decide it.{remedy:then}",
    "no_slope_mends": "The readings bend by {bend_pct:fixed2} % over the loads: no slope mends "
    "that.",
    "too_much_for_drift": "{found} is too much for drift: hang again before anything else.",
    "ruined": "{found}, hung again and found the same: a fault, which no slope should hide.",
    "limit_in_doubt": "{found}: beyond the limit, but not beyond its uncertainty.",
    "too_uncertain": "{found}: too uncertain to decide.{remedy:then}",
    "within_uncertainty": "{found}: within its uncertainty; a new slope would only add noise.",
    "hardly_better": "{found}: within tolerance, and so near its uncertainty that a new slope may "
    "do worse.",
    "step_too_coarse": "{found}: less than the slope's step can mend.",
    "worth_a_reset": "{found}: larger than its uncertainty.{rest:then}",
    "worth_as_expected": "{found}: near its uncertainty, but about what was expected of the meter: "
    "a new slope most likely leaves it better.{rest:then}",
    "not_as_expected": "{found}: larger than its uncertainty, but not what was expected of the "
    "meter: hang again, and enter that as a session of its own.",
    "rounding_rest": "{left_pct:signed2} % remain after rounding to the slope's step.",
    "out_no_slope": "{found} is out of tolerance, and {obstacle}.",
    "undecided_no_slope": "{found}: not decided, and {obstacle}.",
    "in_no_slope": "{found}: within tolerance, and {obstacle}.",
    "slope_fixed": "its slope is fixed",
    "slope_range_ends": "its slope range ends before",
    "gain": "{error_pct:signed2} % ± {expanded_pct:fixed2} %",
    "left_within": "No as-found reading; as left {left}.",
    "left_beyond": "No as-found reading; as left {left}, beyond the limit.",
    "not_evaluated": "Not evaluated. {reason}",
    # what would shrink the uncertainty most, by the budget's largest source
    "shrink_mass": "Masses with a certificate or a tighter class would shrink the uncertainty "
    "most.",
    "shrink_hanger_mass": "Weighing the hanger would shrink the uncertainty most.",
    "shrink_scale_gravity": "A scale adjusted on the spot, or masses with a certificate, would "
    "shrink the uncertainty most.",
    "shrink_air_buoyancy": "Nothing at the bench matters more than the air: there is nothing to "
    "gain.",
    "shrink_crank_length": "Measuring the crank (axle to pedal axle) and stating its limits would "
    "shrink the uncertainty most.",
    "shrink_gravity": "Stating the place's gravity, or its latitude and altitude, would shrink the "
    "uncertainty most.",
    "shrink_crank_angle": "A level on the crank instead of the eye would shrink the uncertainty "
    "most.",
    "shrink_lean": "A bike clamped upright would shrink the uncertainty most.",
    "shrink_resolution": "Heavier masses, or a display with a finer step, would shrink the "
    "uncertainty most.",
    "shrink_zero": "A zero read before and after the masses would shrink the uncertainty most.",
    "shrink_zero_drift": "Waiting until the zero stands still would shrink the uncertainty most.",
    "shrink_repeatability": "Taking the masses off and hanging them again, two or three times, "
    "would shrink the uncertainty most.",
    "shrink_reading_noise": "Masses at rest, or a mean over whole swings, would shrink the "
    "uncertainty most.",
    "shrink_hysteresis": "Loading from below only, as in use, or finding the friction would shrink "
    "the uncertainty most.",
    "shrink_chain_loss": "A lever on the cassette, or at least loading both up and down, would "
    "shrink the uncertainty most.",
    "shrink_balance": "The sides differ: setting each side right would shrink the uncertainty "
    "most.",
}
