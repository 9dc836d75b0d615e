import io
import json
import shutil
import zipfile
from hashlib import sha256

import pytest
from click.testing import CliRunner

from apexfix import bundle
from apexfix.archive import ARCHIVE_NAME, Unit, open_archive
from apexfix.bundle import MANIFEST_NAME, export_day, import_day
from apexfix.cli import main
from apexfix.errors import FileError


@pytest.fixture
def day(tmp_path, root, kit):
    folder = tmp_path / "day"
    shutil.copytree(root / "docs" / "example-day", folder)
    (folder / "report").mkdir()
    (folder / "report" / "report.html").write_text("made again")
    (folder / ".hidden").write_text("not for others")
    (folder / "control").mkdir()
    (folder / "control" / "flight 1.csv").write_bytes(bytes(range(256)))
    with open_archive(folder / ARCHIVE_NAME) as archive:
        archive.add_unit(Unit("e661", "u01", "0.1.0", "MPU-6050"))
        archive.add_segment_bytes("e661", "9f3a01c2", 1, 0, kit.boot_record(1) + kit.press_record(2))
    return folder


def zipped(path, files, manifest=None):
    """Write a zip as somebody else's program might: any names, any manifest."""
    listed = [{"name": name, "bytes": len(data), "sha256": sha256(data).hexdigest()} for name, data in files]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr(MANIFEST_NAME, json.dumps({"format": 1, "files": listed}) if manifest is None else manifest)
        for name, data in files:
            out.writestr(name, data)
    return path


def refused(path, tmp_path, match):
    with pytest.raises(FileError, match=match):
        import_day(path, tmp_path / "new")
    assert not (tmp_path / "new").exists()
    assert not list(tmp_path.glob(".new*"))


def test_a_day_comes_back_with_every_byte(day, tmp_path):
    export_day(day, tmp_path / "day.zip")
    import_day(tmp_path / "day.zip", tmp_path / "elsewhere" / "new")
    new = tmp_path / "elsewhere" / "new"
    names = sorted(path.relative_to(new).as_posix() for path in new.rglob("*") if path.is_file())
    packed = {ARCHIVE_NAME, "control/flight 1.csv", "sightings.csv", "site.toml"}
    assert packed <= set(names)
    assert not {".hidden", "report/report.html"} & set(names)
    for name in set(names) - {ARCHIVE_NAME}:
        assert (new / name).read_bytes() == (day / name).read_bytes()
    with open_archive(day / ARCHIVE_NAME) as old, open_archive(new / ARCHIVE_NAME) as copy:
        assert tuple(copy.pieces()) == tuple(old.pieces())
        assert tuple(copy.rows()) == tuple(old.rows())


def test_the_manifest_holds_the_sha_256_of_the_files_as_any_other_program_computes_it(day, tmp_path):
    export_day(day, tmp_path / "day.zip")
    with zipfile.ZipFile(tmp_path / "day.zip") as file:
        for each in json.loads(file.read(MANIFEST_NAME))["files"]:
            content = file.read(each["name"])
            assert (len(content), sha256(content).hexdigest()) == (each["bytes"], each["sha256"])


def test_a_day_is_exported_while_another_process_holds_the_archive_open(day, tmp_path, kit):
    with open_archive(day / ARCHIVE_NAME) as archive:
        export_day(day, tmp_path / "day.zip")
        archive.add_segment_bytes("e661", "9f3a01c2", 2, 0, kit.press_record(3))
    import_day(tmp_path / "day.zip", tmp_path / "new")
    with open_archive(tmp_path / "new" / ARCHIVE_NAME) as copy:
        assert len(tuple(copy.rows())) == 2


def test_nothing_is_written_over(day, tmp_path):
    export_day(day, tmp_path / "day.zip")
    with pytest.raises(FileError, match="exists already"):
        export_day(day, tmp_path / "day.zip")
    with pytest.raises(FileError, match="exists already"):
        import_day(tmp_path / "day.zip", day)


def test_any_damaged_byte_is_found(day, tmp_path):
    export_day(day, tmp_path / "day.zip")
    whole = (tmp_path / "day.zip").read_bytes()
    for at in range(0, len(whole), 37):
        (tmp_path / "bad.zip").write_bytes(whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])
        try:
            import_day(tmp_path / "bad.zip", tmp_path / "new")
        except FileError:
            continue
        # bytes that mean nothing to the files: times, attributes and the like
        assert (tmp_path / "new" / "sightings.csv").read_bytes() == (day / "sightings.csv").read_bytes()
        assert (tmp_path / "new" / "control" / "flight 1.csv").read_bytes() == bytes(range(256))
        shutil.rmtree(tmp_path / "new")


@pytest.mark.parametrize("cut", [0, 10, 100, -1, -22, -100])
def test_a_truncated_file_is_refused(day, tmp_path, cut):
    export_day(day, tmp_path / "day.zip")
    whole = (tmp_path / "day.zip").read_bytes()
    (tmp_path / "bad.zip").write_bytes(whole[:cut])
    refused(tmp_path / "bad.zip", tmp_path, r"no zip file|damaged|contents")


LEAVING_THE_FOLDER = ("../evil", "a/../../evil", "/etc/evil", "C:evil", "C:\\evil", "..\\evil", "a\\b", "a//b", ".", "-rf")
KEPT_BY_A_SYSTEM = ("con", "aux.txt", "LPT1.csv", "site.toml.", "site.toml ", ".hidden", "archive.sqlite:stream")
HARMING_A_TERMINAL = ("a\x1b[2J", "a\nb", "a\u202egnp", "x" * 300, "a/b/c/d/e")


@pytest.mark.parametrize("name", LEAVING_THE_FOLDER + KEPT_BY_A_SYSTEM + HARMING_A_TERMINAL)
def test_a_name_that_could_leave_the_folder_or_harm_a_system_is_refused(tmp_path, name):
    refused(zipped(tmp_path / "b.zip", [(name, b"evil")]), tmp_path, "plain name|not those of its manifest|damaged")
    assert not (tmp_path / "evil").exists()
    assert not (tmp_path.parent / "evil").exists()


def test_a_link_in_a_zip_becomes_a_file_that_points_nowhere(tmp_path):
    link = zipfile.ZipInfo("site.toml")
    link.external_attr = 0o120777 << 16
    link.create_system = 3  # a Unix, whose modes these are
    manifest = {"format": 1, "files": [{"name": "site.toml", "bytes": 11, "sha256": sha256(b"/etc/passwd").hexdigest()}]}
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as out:
        out.writestr(MANIFEST_NAME, json.dumps(manifest))
        out.writestr(link, b"/etc/passwd")
    import_day(tmp_path / "b.zip", tmp_path / "new")
    assert not (tmp_path / "new" / "site.toml").is_symlink()
    assert (tmp_path / "new" / "site.toml").read_bytes() == b"/etc/passwd"


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_two_files_of_one_name_are_refused(tmp_path):
    refused(zipped(tmp_path / "a.zip", [("x", b"1"), ("x", b"2")]), tmp_path, "each once")
    refused(zipped(tmp_path / "b.zip", [("x", b"1"), ("X", b"2")]), tmp_path, "each once")


def test_a_file_that_the_manifest_does_not_name_is_refused(tmp_path):
    manifest = json.dumps({"format": 1, "files": []})
    refused(zipped(tmp_path / "b.zip", [("x", b"1")], manifest), tmp_path, "not those of its manifest")


@pytest.mark.parametrize("manifest", ["", "[]", "{}", "[" * 100_000, "\xff", '{"format": 2, "files": []}', '{"format": 1}'])
def test_a_manifest_of_no_known_format_is_refused(tmp_path, manifest):
    refused(zipped(tmp_path / "b.zip", [("x", b"1")], manifest), tmp_path, "manifest")


@pytest.mark.parametrize("size", ["-1", "1e999", "true", '"7"', str(1 << 70)])
def test_a_size_that_is_none_is_refused(tmp_path, size):
    manifest = f'{{"format": 1, "files": [{{"name": "x", "bytes": {size}, "sha256": ""}}]}}'
    refused(zipped(tmp_path / "b.zip", [("x", b"1")], manifest), tmp_path, "manifest")


@pytest.mark.parametrize("files", ["7", "[[]]", '{"a": 1}', '["x"]', "null"])
def test_a_list_of_files_that_is_none_is_refused(tmp_path, files):
    manifest = f'{{"format": 1, "files": {files}}}'
    refused(zipped(tmp_path / "b.zip", [("x", b"1")], manifest), tmp_path, "manifest|not those")


def test_a_zip_without_a_manifest_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as out:
        out.writestr("site.toml", "")
    refused(tmp_path / "b.zip", tmp_path, "holds no manifest.json")


def test_a_bomb_is_left_after_the_bytes_that_were_announced(tmp_path):
    manifest = json.dumps({"format": 1, "files": [{"name": "x", "bytes": 1000, "sha256": "0"}]})
    bomb = zipped(tmp_path / "b.zip", [("x", bytes(300 << 20))], manifest)
    assert bomb.stat().st_size < 1 << 20
    refused(bomb, tmp_path, "larger than the 1000 bytes that were announced")


def test_a_bomb_that_announces_its_size_is_refused_unopened(tmp_path):
    files = [{"name": f"x{n}", "bytes": 100 << 20, "sha256": "0"} for n in range(10)]
    refused(zipped(tmp_path / "b.zip", [], json.dumps({"format": 1, "files": files})), tmp_path, "bytes together expected")


def test_a_manifest_that_is_a_bomb_is_left_after_a_mebibyte(tmp_path):
    refused(zipped(tmp_path / "b.zip", [], " " * (50 << 20)), tmp_path, "larger than the 1048576 bytes")


def test_a_table_of_contents_of_millions_is_refused_unread(tmp_path):
    end = b"PK\5\6" + bytes(8) + (1 << 30).to_bytes(4, "little") + bytes(6)
    (tmp_path / "b.zip").write_bytes(bytes(100) + end)
    refused(tmp_path / "b.zip", tmp_path, "table of contents takes 1073741824 bytes")


def test_an_encrypted_file_is_refused(tmp_path):
    path = zipped(tmp_path / "b.zip", [("x", b"1")])
    raw = bytearray(path.read_bytes())
    at = raw.rindex(b"PK\1\2")
    raw[at + 8] |= 1
    path.write_bytes(raw)
    refused(path, tmp_path, "encrypted|damaged")


def test_an_archive_inside_that_is_something_else_is_refused(tmp_path):
    refused(zipped(tmp_path / "b.zip", [(ARCHIVE_NAME, b"not a database" * 100)]), tmp_path, "cannot be used")


def test_links_are_not_followed_out_of_the_folder(day, tmp_path):
    (tmp_path / "secret").write_text("secret")
    try:
        (day / "link").symlink_to(tmp_path / "secret")
    except OSError:
        pytest.skip("this system lets nobody make links")
    assert "link" not in {each.name for each in export_day(day, tmp_path / "day.zip")}


def test_too_many_bytes_are_refused_and_no_half_bundle_stays(day, tmp_path, mocker):
    mocker.patch.object(bundle, "LARGEST_DAY_BYTES", 100)
    with pytest.raises(FileError, match="bytes together expected"):
        export_day(day, tmp_path / "day.zip")
    assert not (tmp_path / "day.zip").exists()


def test_an_empty_or_missing_folder_is_refused(tmp_path):
    with pytest.raises(FileError, match="no files seen"):
        export_day(tmp_path / "nowhere", tmp_path / "day.zip")


def test_the_commands_say_what_they_did(day, tmp_path):
    done = CliRunner().invoke(main, ["export", str(day), str(tmp_path / "day.zip")])
    assert done.exit_code == 0, done.output
    assert " files, " in done.output
    done = CliRunner().invoke(main, ["import", str(tmp_path / "day.zip"), str(tmp_path / "new")])
    assert done.exit_code == 0, done.output
    assert CliRunner().invoke(main, ["import", str(tmp_path / "day.zip"), str(tmp_path / "new")]).exit_code == 4
    assert io.BytesIO((tmp_path / "day.zip").read_bytes()).read(2) == b"PK"


def test_what_a_killed_import_left_is_removed_by_the_next(day, tmp_path, monkeypatch):
    export_day(day, tmp_path / "day.zip")
    with monkeypatch.context() as killed:
        # a process that is killed cleans nothing up behind it
        killed.setattr(bundle.shutil, "rmtree", lambda *_, **__: None)
        killed.setattr(bundle.os, "rename", _power_cut)
        with pytest.raises(KeyboardInterrupt):
            import_day(tmp_path / "day.zip", tmp_path / "new")
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".new")]
    import_day(tmp_path / "day.zip", tmp_path / "new")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["day", "day.zip", "new"]


def _power_cut(*_):
    raise KeyboardInterrupt
