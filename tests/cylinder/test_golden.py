"""Every kind of fact that was ever stored still reads to the same fact, and is still written the same.

To ADD one (a golden file is never edited): put an example into `tests/cylinder/examples.py` and run
`python -m tests.cylinder.golden_files`.
"""

from __future__ import annotations

import json

import pytest
from tests.cylinder.examples import EXAMPLES
from tests.cylinder.golden_files import FOLDER, KEY, path_of, sealed

from cylinder.facts import KINDS
from cylinder.recorded import origin_of, recorded
from eventlog.envelope import Sealed, read, verify

ALL = sorted(KINDS)


def stored(kind: str, version: int) -> Sealed:
    path = path_of(kind, version)
    signature = bytes.fromhex(path.with_suffix(".sig").read_text(encoding="ascii"))
    return Sealed(raw=path.read_bytes(), signature=signature)


def test_every_kind_has_its_golden_file_and_its_example() -> None:
    on_disk = sorted(path.name for path in FOLDER.glob("*.json"))
    assert on_disk == sorted(f"{kind}.v{version}.json" for kind, version in KINDS)
    assert sorted(EXAMPLES) == ALL


@pytest.mark.parametrize(("kind", "version"), ALL)
def test_what_was_stored_still_reads_to_the_same_fact(kind: str, version: int) -> None:
    envelope = read(stored(kind, version).raw)
    record = recorded(envelope.event, origin_of(envelope.place))
    assert record.fact == EXAMPLES[kind, version]
    assert (record.kind, record.effect) == (kind, KINDS[kind, version].EFFECT)


@pytest.mark.parametrize(("kind", "version"), ALL)
def test_the_fact_is_still_written_byte_for_byte(kind: str, version: int) -> None:
    raw = stored(kind, version).raw.decode()
    fact = KINDS[kind, version].model_validate(json.loads(raw)["data"])
    body = json.dumps(fact.model_dump(mode="json"), ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    assert f'"data":{body},"datacontenttype"' in raw


@pytest.mark.parametrize(("kind", "version"), ALL)
def test_the_envelope_is_still_sealed_the_same_and_its_signature_holds(kind: str, version: int) -> None:
    golden = stored(kind, version)
    verify(golden, KEY.public_key())
    assert sealed(EXAMPLES[kind, version]) == golden
