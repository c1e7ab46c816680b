-- Ended sign-ins that would be over by now anyway.
DELETE FROM ended_sign_ins WHERE until < $now
