"""How many threads the libraries calculate with."""

import os


def calculate_with_one_thread() -> None:
    """Have linear algebra done by one thread, here and in processes to come.

    Before numpy is imported; what the environment says already stays. A fit's matrices are small:
    with two threads it takes twice the processor time and ends no sooner.
    """
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
