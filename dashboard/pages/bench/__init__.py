"""Bench: a session from the choice of a meter to its calibration record.

page     the frame that the browser fills, and what answers at which address
given    what the browser is given: data to judge by, words, who is next
answers  JSON answers to what the browser sends
alone    the frame that a device keeps for when there is no network
papers   the calibration record and the label as PDF
"""
