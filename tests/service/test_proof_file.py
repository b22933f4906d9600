from pathlib import Path

import pytest

from tests.service.fake_drive import WHO, Scene
from watcher.facts.identity import DriveId
from watcher.recovery.proving import PROOF_FORMAT
from watcher.service.proof_file import AlreadyProving, ProofFile, RecordUnusable


@pytest.fixture
def record(tmp_path: Path) -> ProofFile:
    return ProofFile(tmp_path / "state", WHO.drive)


def test_a_record_comes_back_as_it_was_saved(record: ProofFile) -> None:
    proof = Scene().proof(position=4096, test_text="…")
    with record.alone():
        assert record.read() is None
        record.save(proof)
        assert record.read() == proof
    assert not list(record.folder.glob(".*.new"))


def test_a_cut_record_is_refused_and_never_taken_for_the_beginning(record: ProofFile) -> None:
    with record.alone():
        record.save(Scene().proof())
        whole = record.path.read_bytes()
        for length in range(0, len(whole) - 1, 37):
            record.path.write_bytes(whole[:length])
            with pytest.raises(RecordUnusable):
                record.read()
        record.path.write_bytes(b"\xff")
        with pytest.raises(RecordUnusable):
            record.read()


def test_a_record_of_a_newer_midwatch_is_left_alone(record: ProofFile) -> None:
    with record.alone():
        record.save(Scene().proof(format=PROOF_FORMAT + 1))
        with pytest.raises(RecordUnusable, match="newer"):
            record.read()


def test_one_burn_in_at_a_time_for_each_drive(record: ProofFile, tmp_path: Path) -> None:
    other = ProofFile(tmp_path / "state", DriveId("another"))
    with record.alone():
        with pytest.raises(AlreadyProving), ProofFile(tmp_path / "state", WHO.drive).alone():
            pass
        with other.alone():
            assert other.path != record.path
    with record.alone():
        assert record.read() is None


def test_a_record_that_is_put_aside_is_kept(record: ProofFile) -> None:
    with record.alone():
        record.put_aside("nothing")  # there is none
        record.save(Scene().proof())
        record.put_aside("given-up")
        assert record.read() is None
    assert record.path.with_name(f"{record.stem}.given-up.json").exists()


def test_the_name_of_a_drive_never_leaves_the_folder(tmp_path: Path) -> None:
    odd = ProofFile(tmp_path, DriveId("../../etc/passwd\0 x"))
    assert odd.path.parent == tmp_path / "proofs"
    assert "/" not in odd.stem
