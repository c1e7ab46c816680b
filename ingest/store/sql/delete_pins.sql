-- Take a meter's pins of some weeks out; what stays pinned goes in again.
DELETE FROM plan_pins WHERE meter_id = $meter AND week IN (SELECT unnest($weeks::DATE[]))
