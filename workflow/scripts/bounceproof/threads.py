"""Pieces of one job, on as many threads as it was given.

Conventions: a piece hangs on no other, and results come in the order of what they are made of: they are the same whatever the
number of threads. What NumPy, scipy.fft, soxr and soundfile do in long calls goes on side by side.
"""


def of_each(function, items, threads):
    """[function(item) of each item]."""
    if threads == 1:
        return [function(item) for item in items]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(function, items))
