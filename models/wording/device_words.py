"""What is known of a device beyond its number, and what to do about it."""

_ALONE = "which alone makes it read {error_pct:size1} % {error_pct:high_or_low}."
_RIDES = "beside {reference} "

DEVICE_WORDS = {
    "happened": "It had a {event:name}{side:optional} on {on:day}{note:bracketed}, and has not "
    "been on the bench since: it may read otherwise than before.",
    "of_a_side": " on its {side} side",
    "wrong_length_set": "A wrong setting, since {since:day}: {programmed_mm:plain} mm are "
    "programmed on a crank of {crank_mm:plain} mm, " + _ALONE,
    "set_the_length": "Read the length on the crank: if it says {crank_mm:plain} mm, set that in "
    "the meter (it holds {programmed_mm:plain}) and leave the slope. Then bench it: what it still "
    "reads high or low is its own.",
    "oval_ring": "It rides behind an oval ring since {since:day}: torque averaged over time reads "
    "otherwise on the road than at the bench, by how much its rides have not told yet. That is the "
    "ring's, not the meter's, and no part of its gain error: leave the slope.",
    "oval_ring_known": "It rides behind an oval ring since {since:day}: torque averaged over time "
    "reads otherwise on the road than at the bench, here by {size_pct:signed1} % "
    "(± {half_pct:fixed1}). That is the ring's, not the meter's, and no part of its gain error: "
    "leave the slope.",
    "one_sided": "It sees the left leg only and doubles it: under {rider} its rides show "
    "{size_pct:signed1} % (± {half_pct:fixed1}) beside the meter's own error. That is the rider's "
    "balance: with another rider it is another number.",
    "work": "At the bench on {on:day} it was {was} and at {left_pct:signed1} % after "
    "work{note:bracketed}: what changed was no drift, and both readings count ({session}, "
    "{session_after}).",
    "found_at": "found at {found_pct:signed1} %",
    "not_read": "not read as found",
    "one_side_serviced": "Its {side} side was serviced on {on:day}{note:bracketed}: that side may "
    "behave differently since; the other side is as it was. Judge each side on its own.",
    "unrecorded_reset": "Its slope was changed from {before:known} to {after:plain} between "
    "{first:day} and {last:day}{moved:optional}, and nobody noted it: ask who. The sensor's past "
    "is kept.",
    "which_moved_it": ", which moved it by {step_pct:signed1} %",
    "other_crank_fitted": "On another crank ({crank_id}) since {since:day}: the bench knows its "
    "length only so well, and another crank's is off by another amount. That is no drift.",
    "void_ride": "One ride " + _RIDES + "on {last:day} does not count. {why}",
    "void_rides": "{n:plain} rides " + _RIDES + "from {first:day} to {last:day} do not count. "
    "{why}",
    "mass_off": "{mass_kg:fixed2} kg behaves like {behaves_kg:fixed2} kg (± {half_kg:fixed2}): "
    "found values come out {error_pct:size2} % {error_pct:high_or_low}. The mass, not {meters}.",
    "the_meter": "the meter",
    "several_meters": "{n:plain} meters",
    "weigh_it": "Weigh the masses and the hanger.",
}
