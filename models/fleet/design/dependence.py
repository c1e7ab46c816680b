"""Say what mass sets have in common: one scale weighed them, or one laboratory certified them.

Two sets known to u each, of which a share ρ of the variance is common, tell the truth to
u·√(ρ + (1 − ρ)/2), not to u/√2 (JCGM 100:2008, 5.2.2, where ρ = 1).
"""

from collections import Counter

import numpy as np
import polars as pl

from models.fleet.design.arrays import codes
from models.fleet.design.settings import OTHER_SHARE, WEIGHED_ON_SHARE
from models.metrology import Array, Index


def shared_scales(
    benches: pl.DataFrame, names: list[str], u: Array
) -> tuple[list[str], Index, Array]:
    """Return the scales that several mass sets share, each set's (−1: none), and their prior sds.

    In   benches: bench_id, source, weighed_on; names, u [benches]: the sets and their prior sds
    Of unlike sets the smallest common part counts for all.
    """
    known = benches.unique("bench_id", keep="first")
    scale_of = dict(known.select("bench_id", "weighed_on").iter_rows())
    source = dict(known.select("bench_id", "source").iter_rows())
    named = [scale_of.get(name) for name in names]
    several = {w for w, n in Counter(named).items() if w is not None and n > 1}
    code, scales = codes([w if w in several else None for w in named])
    share = [WEIGHED_ON_SHARE.get(source.get(name) or "", OTHER_SHARE) for name in names]
    common = u * np.sqrt(share)
    sds = [float(common[code == k].min()) for k in range(len(scales))]
    return scales, code, np.array(sds, dtype=np.float64)
