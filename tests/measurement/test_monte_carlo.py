"""The two routes to an uncertainty: budgets carried through linearly (JCGM 100) and simulated repeats (JCGM 101)."""

import numpy as np
import pytest

DRAWS = 200


@pytest.mark.slow
@pytest.mark.parametrize(
    ("family", "name"),
    [
        ("crown", "shoulder, 12°"),
        ("block", "leaning walls"),
        ("line", "wandering"),
        ("cavity", "deep and wide"),
        ("implant", "tilted, deep and wide"),
    ],
)
def test_simulated_repeats_agree_with_the_budgets(family, name):
    # Source: JCGM 101 against JCGM 100: within 15 %. Of one place 200 repeats know u to 5 %, so twice that is allowed more.
    from monte_carlo import compare

    found = {c.reading: c.ratio for c in compare(family, name, draws=DRAWS)}
    assert np.median(list(found.values())) == pytest.approx(1.0, abs=0.15), found
    assert {name: ratio for name, ratio in found.items() if abs(ratio - 1.0) > 0.15 + 0.10} == {}, found
