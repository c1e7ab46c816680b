"""What happened that nobody wrote down?

search            the search for effects, in turn with weights and hyperparameters
scan_shared       steps of references and mass sets, bends of groups
scan_meters       steps, wrong entries and outliers of each meter
noise             meters whose noise has grown
prior_odds        how likely each mishap is beforehand
odds_adjustments  what makes one likelier: events nearby, plausible slips
alarm_budget      the false alarms allowed, shared out
thresholds        limits that keep to them
alarm_table       the alarms as a table
alarm_reasons     what each says, as data
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
