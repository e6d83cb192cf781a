"""Which customary size a measured body is nearest to, and whether a label agrees with it.

No standard fixes fractional sizes.  Published body lengths for one name differ by up to 18 mm, and below quarter size
makers differ more than the sizes do; so a size is never read off, only weighed: the probability of a name is that of
the measured length among the lengths that are sold under it (a normal distribution about the usual length, with the
spread of the published ones), all names being equally likely beforehand (Bayes' rule).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot

from calibration.quantity import Length

MM_PER_INCH = 25.4
LARGEST_VIOLIN_MM = 366.0
"""Bodies clearly above it are violas (full-size violins: 355 to 359 mm); violas go by their length in inches or cm."""

_UNLIKELY = 0.05


@dataclass(frozen=True, slots=True)
class CustomarySize:
    """A name of the trade and the body lengths sold under it.

    Attributes
    ----------
    name : str
    body_mm : float
        Usual body length, mm.
    spread_mm : float
        Standard deviation of what is sold under the name, mm.
    """

    name: str
    body_mm: float
    spread_mm: float


SIZES = (
    # published: 190-195; common practice, no source; makers differ by centimetres below 1/4 size
    CustomarySize("1/32", 192.0, 6.0),
    CustomarySize("1/16", 217.0, 6.0),  # 215-220
    CustomarySize("1/10", 235.0, 6.0),  # 235
    CustomarySize("1/8", 255.0, 6.0),  # 255
    CustomarySize("1/4", 282.0, 5.0),  # about 280 in use; 285 and 297 (Tolbecque 1903) published
    CustomarySize("1/2", 311.0, 5.0),  # about 310 in use; 302 (Tolbecque 1903), 320 published
    CustomarySize("3/4", 334.0, 2.0),  # 332 (Tolbecque 1903), 333.4 (13 1/8 in, 1895), 335
    CustomarySize("7/8", 346.0, 3.0),  # 345, 352.4 (13 7/8 in, "ladies'", 1895)
    CustomarySize("4/4", 356.5, 1.5),  # 355, 356 (Stradivari 1716), 358 (Tolbecque 1903), 358.8 (1895)
)


@dataclass(frozen=True, slots=True)
class LabelCheck:
    """What a label says and what the length says.

    Attributes
    ----------
    sold_as : str
        The size on the label.
    measures_like : str
        The most probable size.
    probability : float
        Probability of the label's size among all.
    agrees : bool
        False where the label's size is improbable (below 5 %).
    """

    sold_as: str
    measures_like: str
    probability: float
    agrees: bool


def size_probabilities(body: Length) -> dict[str, float]:
    """Probability of every customary size for a measured body length; they add up to 1.

    Examples
    --------
    >>> from calibration.quantity import Length
    >>> chances = size_probabilities(Length.stated(281.0, 1.0))
    >>> max(chances, key=chances.get)
    '1/4'
    """
    weights = {size.name: _density(body, size) for size in SIZES}
    total = sum(weights.values())
    if total < 1e-12:  # far from all sizes: the nearest one
        nearest = min(SIZES, key=lambda size: abs(size.body_mm - body.value_mm)).name
        return {size.name: float(size.name == nearest) for size in SIZES}
    return {name: weight / total for name, weight in weights.items()}


def check_label(label: str, body: Length) -> LabelCheck:
    """Compare the size an instrument is sold as with its measured body.

    Raises
    ------
    ValueError
        If no size is called so.
    """
    chances = size_probabilities(body)
    if label not in chances:
        raise ValueError(f"no customary size is called {label!r}; known are {', '.join(chances)}")
    likeliest = max(chances, key=lambda name: chances[name])
    agrees = chances[label] >= _UNLIKELY
    return LabelCheck(label, label if agrees else likeliest, chances[label], agrees)


def viola_size_inches(body: Length) -> float | None:
    """Body length in inches to the nearest half, as violas are sold; None for bodies of a violin's size."""
    if body.low_mm <= LARGEST_VIOLIN_MM:
        return None
    return round(2 * body.value_mm / MM_PER_INCH) / 2


def _density(body: Length, size: CustomarySize) -> float:
    sigma = hypot(body.standard_uncertainty_mm, size.spread_mm)
    return exp(-0.5 * ((body.value_mm - size.body_mm) / sigma) ** 2) / sigma
