"""Every shoulder of the corpus is read as it is labelled: the stamps, the remarks, and the signs they point at."""

from collections import Counter

import pytest
from tests.cylinder.stamps.corpus import TODAY, Shoulder, shoulders

from cylinder.stamps import canonical, read_stamps
from rulebook import load, spec_known

SHOULDERS = shoulders()
US = load("us")
EXPLAINED = {"suffix.meaning", "date.alone"}
"""Said beside a mark that is read without a doubt; the corpus does not list them."""


@pytest.mark.parametrize("shoulder", SHOULDERS, ids=lambda shoulder: shoulder.typed[:40])
def test_a_shoulder_is_read_as_labelled(shoulder: Shoulder) -> None:
    reading = read_stamps(shoulder.typed, today=TODAY)
    said = sorted(
        f"{remark.code}@{shoulder.typed[remark.start : remark.end].strip()}"
        for remark in reading.remarks
        if remark.code not in EXPLAINED
    )

    assert (canonical(reading), tuple(said)) == (shoulder.read, shoulder.remarks)


@pytest.mark.parametrize("shoulder", SHOULDERS, ids=lambda shoulder: shoulder.typed[:40])
def test_its_canonical_text_is_the_same_shoulder_and_stays_as_it_is(shoulder: Shoulder) -> None:
    reading = read_stamps(shoulder.typed, today=TODAY)
    again = read_stamps(canonical(reading), today=TODAY)

    assert again.stamps == reading.stamps
    assert canonical(again) == canonical(reading)


@pytest.mark.parametrize("shoulder", SHOULDERS, ids=lambda shoulder: shoulder.typed[:40])
def test_a_good_shoulder_raises_no_doubt_and_a_wrong_one_does(shoulder: Shoulder) -> None:
    doubts = [one for one in read_stamps(shoulder.typed, today=TODAY).remarks if one.bearing != "tell"]

    if shoulder.kind == "good":
        assert doubts == []
    if shoulder.kind == "wrong":
        assert doubts != []


def test_the_corpus_is_large_and_has_each_kind() -> None:
    kinds = Counter(shoulder.kind for shoulder in SHOULDERS)

    assert len({shoulder.typed for shoulder in SHOULDERS}) == len(SHOULDERS) >= 300
    assert min(kinds["good"], kinds["sloppy"], kinds["wrong"]) >= 90


@pytest.mark.parametrize(
    "typed",
    [
        *(
            "DOT-3AL3000",
            "DOT-3AA2400",
            "DOT-3A1800",
            "DOT-3AX2400",
            "DOT-3AAX2400",
            "DOT-3T2400",
            "DOT-3HT1850",
        ),
        *("ICC-3AA2250", "ICC-3A1800", "CTC-3AL3000", "CTC-3AA2400", "CTC/DOT-3AL3000", "3AL3000"),
        *("TC-3ALM207", "TC-3AAM232", "TC-3ALM207/DOT-3AL3000", "DOT-SP12345-3442", "DOT-E 9791 3000"),
        *("UN ISO 9809-1", "UN ISO 7866", "UN ISO 11119-2"),
    ],
)
def test_the_claim_of_a_specification_is_known_to_the_american_rulebook(typed: str) -> None:
    assert spec_known(US, read_stamps(typed, today=TODAY).spec) is not None
