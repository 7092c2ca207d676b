"""Which of several independent causes of chance makes a result vary, from one set of samples."""

import numpy as np

MOST_GROUPS, LEAST_IN_GROUP = 20, 25


def shares(places, values):
    """Share of the variance of the values that each cause makes by itself.

    Parameters
    ----------
    places : dict of str to ndarray, shape (n,)
        Places of the samples in the distribution of each cause, 0 to 1.
    values : ndarray, shape (n, m)
        Results; variances are added over the m.

    Returns
    -------
    dict of str to float
        Largest first. They add up to less than 1 where causes act together.

    Notes
    -----
    Var(E(y | cause))/Var(y): samples in up to 20 groups of equal size along the cause, variance between the
    groups' means, less what chance alone makes of it (the adjusted correlation ratio).
    """
    total = float(values.var(axis=0).sum())
    groups = max(2, min(MOST_GROUPS, len(values) // LEAST_IN_GROUP))
    found = {key: _share(place, values, groups, total) for key, place in places.items()}
    return dict(sorted(found.items(), key=lambda item: -item[1]))


def _share(place, values, groups, total):
    """Adjusted correlation ratio of one cause."""
    count = len(values)
    if total <= 0.0 or count <= groups:
        return 0.0
    edges = np.arange(groups) * count // groups
    sizes = np.diff([*edges, count])
    means = np.add.reduceat(values[np.argsort(place, kind="stable")], edges, axis=0) / sizes[:, None]
    between = float((sizes @ (means - values.mean(axis=0)) ** 2).sum()) / count
    ratio = min(between / total, 1.0)
    return max(1.0 - (1.0 - ratio) * (count - 1) / (count - groups), 0.0)


def reweighted(met, weight):
    """Share of samples that meet something if they came with other densities, and what is sure of the gain.

    Parameters
    ----------
    met : ndarray of bool, shape (n,)
    weight : ndarray, shape (n,)
        Ratio of the densities.

    Returns
    -------
    share, gain : float
        Share that would meet it; how much more that is than now, 0 where chance alone may make the difference
        (two standard errors). NaN and 0 where no sample has a weight.
    """
    if not weight.any():
        return float("nan"), 0.0
    now, share = float(met.mean()), float(weight @ met / weight.sum())
    apart = weight / weight.mean() * (met - share) - (met - now)
    gain = share - now
    return share, gain if gain > 2.0 * apart.std() / np.sqrt(met.size) else 0.0


def interval(share, count):
    """Interval that holds the true share in 95 of 100 cases, where ``share`` of ``count`` samples has it.

    Notes
    -----
    Score interval: E. B. Wilson, "Probable inference, the law of succession, and statistical inference", Journal
    of the American Statistical Association 22 (1927), from memory.
    """
    z = 1.959963984540054
    centre = (share + z**2 / (2.0 * count)) / (1.0 + z**2 / count)
    half = z * np.sqrt(share * (1.0 - share) / count + (z / (2.0 * count)) ** 2) / (1.0 + z**2 / count)
    low, high = max(float(centre - half), 0.0), min(float(centre + half), 1.0)
    return (low if share > 0.0 else 0.0), (high if share < 1.0 else 1.0)
