"""Two ways to count the Q of a bell, and how one becomes the other.

The audio EQ cookbook's bell is (s² + s A/Q + 1) / (s² + s/(A Q) + 1) with A = 10^(gain_db/40); the "constant Q" bell
is (s² + s K/Q + 1) / (s² + s/Q + 1) with K = 10^(gain_db/20) for a boost, and the inverse filter for a cut. They are
the same filter where Q_cookbook = Q_constant / 10^(|gain_db|/40).
"""

from __future__ import annotations


def cookbook_q(constant_q: float, gain_db: float) -> float:
    """Cookbook Q of a bell given as constant Q."""
    return constant_q / _amplitude(gain_db)


def constant_q(cookbook_q: float, gain_db: float) -> float:
    """Constant Q of a bell given by the cookbook's Q."""
    return cookbook_q * _amplitude(gain_db)


def _amplitude(gain_db: float) -> float:
    return float(10.0 ** (abs(gain_db) / 40))
