"""From a series folder to a bundle: gathered, found current, cleaned, sealed."""

from __future__ import annotations

from pathlib import Path

from firelab.craft.trade_words import STAGES, count_words
from firelab.errors import FaultyFile, Finding, FirelabError
from firelab.records.firing_log import own_form, read_firings, read_log
from firelab.records.photographs import (
    PHOTO_SUFFIXES,
    REFERENCES_FOLDER,
    clean_photo,
)
from firelab.records.planned_firings import planned_firings
from firelab.records.records import Records
from firelab.records.what_changed import changed_since
from firelab.series.folder import (
    FIGURES_FOLDER,
    FIRINGS_FILE,
    MADE_BY,
    NEXT_FILE,
    PHOTOS_FOLDER,
    REPORT_FILE,
    SERIES_FILE,
    TRACES_FOLDER,
    json_text,
    read_json,
    sha256_of,
)
from firelab.series.series_file import series_hash
from firelab.studios.bundle.archive import SEAL_FILE, name_fault, seal_text
from firelab.studios.bundle.bundle import Bundle
from firelab.studios.bundle.deposit import (
    check_licence,
    deposit_files,
    read_origin,
    refuse_weaker,
)
from firelab.studios.bundle.descriptor import (
    DESCRIPTOR_FILE,
    FILE_WORDS,
    describe_bundle,
    made_with,
)
from firelab.studios.bundle.privacy import (
    NameCleaner,
    NameForm,
    name_substitutes,
    observer_names,
    travelling_words,
    words_of_the_trade,
)
from firelab.studios.bundle.verification import verify_next
from firelab.windows.fit_file import fit_folder, fresh_fit_options

_FOLDERS = {
    TRACES_FOLDER: (".csv",),
    FIGURES_FOLDER: (".svg", ".png", ".pdf"),
    PHOTOS_FOLDER: PHOTO_SUFFIXES,
    REFERENCES_FOLDER: PHOTO_SUFFIXES,
}
_PICTURES = (f"{PHOTOS_FOLDER}/", f"{REFERENCES_FOLDER}/")


def pack_series(
    folder: str | Path,
    *,
    licence: str = "",
    studio: str = "",
    names: NameForm = "codes",
    drop_notes: bool = False,
) -> Bundle:
    """Return the bundle of a series folder.

    Parameters
    ----------
    folder : str or Path
        With at least series.toml, plan.csv, plan.json and firings.csv.
    licence : str
        One of `firelab.studios.bundle.deposit.LICENCES`; may be left out where the
        folder was unpacked from a bundle, whose licence it then keeps.
    studio : str, default ''
        How the studio wants to be called; empty leaves it out.
    names : {'codes', 'initials', 'keep'}, default 'codes'
        What becomes of the observers' names.
    drop_notes : bool, default False
        Leave out the notes of the log and the comments of series.toml.

    Returns
    -------
    Bundle
        The same for the same files and words.

    Raises
    ------
    UsageError
        If the licence is not known, or weaker than that of the bundle which the
        folder was unpacked from.
    FaultyFile
        If the log is faulty, or a derived file is older than its sources.
    RecordsInsufficient
        If no look is recorded.
    FirelabError
        If a photo cannot be cleaned or a file's name cannot travel.

    Examples
    --------
    >>> import firelab
    >>> firelab.pack_series(firelab.start_demo(), licence="CC0-1.0", studio="north")
    <Bundle: 10 files, SHA-256 ...>
    """
    base = Path(folder)
    origin = read_origin(base)
    chosen = check_licence(licence or (origin.licence if origin else ""))
    if origin:
        refuse_weaker(chosen, origin)
    records = read_firings(base)
    series = records.series
    _refuse_stale(base)
    log = read_log(base, series, planned_firings(records.plan))
    contents = _gather(base)
    left_out = _left_out(base, contents)
    if NEXT_FILE in contents and not _next_is_current(base):
        del contents[NEXT_FILE]
        left_out += (
            f"{NEXT_FILE} was left out: it is not what firelab next chooses from this log",
        )
    written = contents[FIRINGS_FILE]
    contents[FIRINGS_FILE] = _in_own_form(written, log.torn, records)
    if drop_notes:
        contents.pop(REPORT_FILE, None)
    people = observer_names(log.rows)
    vocabulary = " ".join(
        (contents[SERIES_FILE].decode("utf-8-sig"), *STAGES, *series.responses.stage.grades)
    )
    cleaner = NameCleaner(
        substitutes=name_substitutes(people, names),
        spared=words_of_the_trade(people, vocabulary),
        drop_notes=drop_notes,
    )
    cleaned = cleaner.clean(contents, before={FIRINGS_FILE: written})
    privacy = _privacy_words(cleaner, cleaned, names)
    travels = travelling_words(cleaned)
    descriptor = describe_bundle(
        cleaned,
        series,
        licence=chosen,
        studio=studio.strip(),
        privacy=privacy,
        made_with=made_with(cleaned),
        origin=origin,
    )
    cleaned |= deposit_files(descriptor)
    cleaned[DESCRIPTOR_FILE] = json_text(descriptor).encode("utf-8")
    cleaned[SEAL_FILE] = seal_text(cleaned).encode("ascii")
    spared = tuple(
        f"the name {name!r} also is a word of the series: it was replaced in the log only"
        for name in cleaner.spared
        if name in cleaner.substitutes
    )
    return Bundle(contents=cleaned, notes=(*privacy, *travels, *spared, *left_out))


def _gather(base: Path) -> dict[str, bytes]:
    contents = {
        name: (base / name).read_bytes() for name in FILE_WORDS if (base / name).is_file()
    }
    for name, suffixes in _FOLDERS.items():
        for path in sorted((base / name).glob("*")):
            if path.suffix.lower() in suffixes and path.is_file():
                inside = f"{name}/{path.name}"
                if name == REFERENCES_FOLDER and name_fault(inside):
                    continue  # it has the name of a grade, which cannot be renamed
                contents[_travelling_name(inside)] = path.read_bytes()
    for name in [one for one in contents if one.startswith(_PICTURES)]:
        contents[name] = clean_photo(contents[name], name)
    return contents


def _next_is_current(base: Path) -> bool:
    """Tell whether the next tiles are those that the log as it stands leads to."""
    try:
        fitted = fit_folder(base, fresh_fit_options(base), sensitivity=False)
    except FirelabError:
        return False
    return verify_next(base, fitted).status == "agrees"


def _in_own_form(raw: bytes, torn: bytes, records: Records) -> bytes:
    """Return the log without a torn last line, as firelab writes it."""
    whole = raw.removesuffix(torn)
    if whole.startswith(b"tile,look,"):
        return whole
    return own_form(whole, records.series, planned_firings(records.plan)).encode("utf-8")


def _travelling_name(name: str) -> str:
    fault = name_fault(name)
    if fault:
        raise FirelabError(
            fault[1], hint="rename it with plain letters, digits and hyphens"
        )
    return name


def _left_out(base: Path, contents: dict[str, bytes]) -> tuple[str, ...]:
    folders = (base / PHOTOS_FOLDER, base / REFERENCES_FOLDER)
    photos = [f"{one.name}/{path.name}" for one in folders for path in one.glob("*")]
    left = sorted(name for name in photos if name not in contents)
    return tuple(
        f"{name} was left out: only JPEG and PNG with a name in plain letters travel"
        for name in left
    )


def _privacy_words(
    cleaner: NameCleaner, contents: dict[str, bytes], names: NameForm
) -> tuple[str, ...]:
    count = len(set(cleaner.substitutes.values()))
    words = []
    if names == "keep":
        words.append("observers' names were kept")
    elif count:
        words.append(f"{count_words(count, 'name')} of observers replaced with {names}")
    if cleaner.drop_notes:
        words.append("notes were left out, and the report, which shows them")
    if any(name.startswith(_PICTURES) for name in contents):
        words.append("photos carry no place, time or owner")
    return tuple(words)


def _refuse_stale(base: Path) -> None:
    findings = []
    log_digest = sha256_of(base / FIRINGS_FILE)
    for name, made in MADE_BY.items():
        path = base / name
        if not path.is_file():
            continue
        stored = read_json(path.read_bytes(), name).get("provenance", {})
        stored.setdefault("series_hash", series_hash(base))
        stale = changed_since(base, stored, made)
        if stale:
            findings.append(_stale(name, ", ".join(stale), f"firelab {made}"))
    report = base / REPORT_FILE
    if report.is_file() and log_digest not in report.read_text(encoding="utf-8"):
        findings.append(_stale(REPORT_FILE, FIRINGS_FILE, "firelab report"))
    if findings:
        raise FaultyFile(findings)


def _stale(name: str, source: str, remedy: str) -> Finding:
    return Finding(
        code="stale",
        file=name,
        message=f"is older than {source}, which it was made from",
        hint=f"make it anew with: {remedy}",
    )
