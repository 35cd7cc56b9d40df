"""Which of a track's takes goes on."""

import pytest
from bounceproof.takes import choose
from hypothesis import given
from hypothesis import strategies as st


def measured(state="aligned", flags=(), over_hiss_db=30.0):
    return {"state": state, "flags": list(flags)}, {"signal_over_hiss_db": over_hiss_db}


def best(*takes):
    names = [f"take{k + 1}" for k in range(len(takes))]
    place, why = choose(names, list(takes), "best")
    assert why
    return names[place]


def test_an_aligned_take_comes_before_a_rejected_one_however_clean():
    assert best(measured("rejected", over_hiss_db=60.0), measured(flags=("clipped", "one click"), over_hiss_db=3.0)) == "take2"


def test_fewer_flags_come_before_less_hiss():
    assert best(measured(over_hiss_db=25.0), measured(flags=["clipped"], over_hiss_db=40.0)) == "take1"


def test_less_hiss_wins_and_less_than_a_decibel_does_not():
    assert best(measured(over_hiss_db=40.0), measured(over_hiss_db=25.0)) == "take1"
    assert best(measured(over_hiss_db=30.4), measured(over_hiss_db=30.0)) == "take2", "alike: the later one"


def test_what_was_not_measured_loses_to_what_was():
    assert best(measured(over_hiss_db=2.0), measured(over_hiss_db=None)) == "take1"


def test_of_rejected_takes_the_latest_stands_for_them_and_it_is_said():
    takes = [measured("rejected", over_hiss_db=None)] * 2
    place, why = choose(["take1", "take2"], takes, "best")
    assert place == 1
    assert "no take could be aligned" in why


def test_latest_is_the_last_in_natural_order_even_when_rejected():
    assert choose(["take2", "take10"], [measured(), measured("rejected")], "latest")[0] == 1


def test_a_named_take_is_taken():
    place, why = choose(["take1", "take2", "take3"], [measured()] * 3, "take2")
    assert place == 1
    assert "tracks.tsv" in why


def test_the_only_take_goes_on_whatever_was_wanted():
    assert choose(["simulated"], [measured()], "best") == (0, "the only take")
    assert choose(["simulated"], [measured()], "latest") == (0, "the only take")


@given(
    st.lists(
        st.builds(
            measured,
            st.sampled_from(["aligned", "rejected"]),
            st.lists(st.sampled_from(["clipped", "one click"]), max_size=2),
            st.none() | st.floats(-10, 70),
        ),
        min_size=1,
        max_size=6,
    )
)
def test_no_other_take_is_better_in_every_respect(takes):
    place, _ = choose([str(k) for k in range(len(takes))], takes, "best")

    def rank(take):
        over_db = take[1]["signal_over_hiss_db"]
        return take[0]["state"] == "aligned", -len(take[0]["flags"]), -1000 if over_db is None else over_db + 1

    if len(takes) > 1:
        chosen = rank(takes[place])
        for other in map(rank, takes):
            assert other[:2] <= chosen[:2]


def test_a_take_that_is_not_there_is_an_error_and_no_silent_choice():
    with pytest.raises(ValueError, match="take9"):
        choose(["take1", "take2"], [measured()] * 2, "take9")
