"""A certificate that a phone would refuse is refused before any phone is let in."""

import ssl
import subprocess

import pytest
from typer.testing import CliRunner

from firelab.cli.app import app
from firelab.kilnside.certificate import tls_context

DATED = """
[ca]
default_ca = here
[here]
database = index.txt
new_certs_dir = .
rand_serial = yes
policy = any
default_md = sha256
x509_extensions = names
[any]
commonName = supplied
[names]
subjectAltName = DNS:kiln.test
"""


def openssl(folder, *words):
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture(scope="module")
def faulty(certificate, tmp_path_factory):
    """Make pairs with one fault each, beside one without."""
    folder = tmp_path_factory.mktemp("faulty")
    for name in ("kiln.pem", "kiln.key"):
        (folder / name).write_bytes((certificate / name).read_bytes())
    new = ["-newkey", "rsa:2048", "-nodes", "-subj", "/CN=kiln.test", "-keyout"]
    openssl(folder, "req", "-x509", "-days", "9", *new, "nameless.key",
            "-out", "nameless.pem")  # fmt: skip
    openssl(folder, "req", "-x509", "-days", "9", *new, "purpose.key",
            "-out", "purpose.pem", "-addext", "subjectAltName=DNS:kiln.test",
            "-addext", "extendedKeyUsage=clientAuth")  # fmt: skip
    openssl(folder, "pkey", "-in", "kiln.key", "-aes256", "-passout", "pass:salt",
            "-out", "locked.key")  # fmt: skip
    (folder / "dated.cnf").write_text(DATED)
    openssl(folder, "req", "-new", *new, "dated.key", "-out", "dated.csr")
    sign = ["ca", "-config", "dated.cnf", "-batch", "-notext", "-selfsign"]
    sign += ["-keyfile", "dated.key", "-in", "dated.csr"]
    years = {"old": ("20190101000000Z", "20200101000000Z"),
             "early": ("21010101000000Z", "21020101000000Z")}  # fmt: skip
    for name, (first, last) in years.items():
        (folder / "index.txt").write_text("")
        openssl(folder, *sign, "-out", f"{name}.pem", "-startdate", first, "-enddate", last)
    return folder


def test_a_sound_pair_is_taken_by_name_and_by_address(faulty):
    for host in ("kiln.test", "127.0.0.1"):
        assert tls_context(faulty / "kiln.pem", faulty / "kiln.key", host=host)


def test_an_old_way_to_encrypt_is_refused(faulty):
    # RFC 8996 (2021): TLS 1.0 and 1.1 must not be used
    server = tls_context(faulty / "kiln.pem", faulty / "kiln.key", host="kiln.test")
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    with pytest.warns(DeprecationWarning):
        old.minimum_version = ssl.TLSVersion.TLSv1
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    old.set_ciphers("ALL:@SECLEVEL=0")
    hello, answer = ssl.MemoryBIO(), ssl.MemoryBIO()
    with pytest.raises(ssl.SSLWantReadError):
        old.wrap_bio(answer, hello, server_hostname="kiln.test").do_handshake()
    with pytest.raises(ssl.SSLError, match="UNSUPPORTED_PROTOCOL"):
        server.wrap_bio(hello, answer, server_side=True).do_handshake()


REFUSED = [
    ("kiln.pem", "", "--certificate needs --key\n  hint: https takes the two of a pair"),
    ("", "kiln.key", "--key needs --certificate\n  hint: https takes the two of a pair"),
    (
        "gone.pem", "kiln.key",
        "gone.pem: cannot be read: No such file or directory\n"
        "  hint: give a file in PEM, and where it lies",
    ),
    ("kiln.key", "kiln.key", "kiln.key holds no certificate\n  hint: give a file in PEM"),
    ("kiln.pem", "kiln.pem", "kiln.pem holds no private key\n  hint: give a file in PEM"),
    (
        "kiln.pem", "dated.key",
        "dated.key is not the key of kiln.pem\n  hint: give the two of a pair",
    ),
    (
        "kiln.pem", "locked.key",
        "locked.key is encrypted by a passphrase\n"
        "  hint: write one without: openssl pkey -in locked.key -out open.key",
    ),
    (
        "old.pem", "dated.key",
        "old.pem is valid from Jan  1 00:00:00 2019 GMT to Jan  1 00:00:00 2020 GMT, not "
        "today\n  hint: make a new one, or set this machine's clock",
    ),
    (
        "early.pem", "dated.key",
        "early.pem is valid from Jan  1 00:00:00 2101 GMT to Jan  1 00:00:00 2102 GMT, not "
        "today\n  hint: make a new one, or set this machine's clock",
    ),
    (
        "nameless.pem", "nameless.key",
        "nameless.pem names no machine, not kiln.test\n"
        '  hint: make one with -addext "subjectAltName=DNS:kiln.test"',
    ),
    (
        "purpose.pem", "purpose.key",
        "purpose.pem is refused by browsers: ",
    ),
]  # fmt: skip


def answer(folder, certificate, key, host):
    words = ["kilnside", str(folder), "--port", "1", "--host", host, "--bind", "127.0.0.1"]
    words += ["--certificate", certificate] * bool(certificate)
    words += ["--key", key] * bool(key)
    return CliRunner().invoke(app, words)


@pytest.mark.parametrize(("file", "key", "words"), REFUSED)
def test_a_faulty_pair_is_named_with_its_remedy(
    clear, faulty, monkeypatch, file, key, words
):
    monkeypatch.chdir(faulty)
    told = answer(clear.path, file, key, "kiln.test")
    assert told.exit_code == (1 if file and key else 2)
    assert told.stderr.startswith(words)
    assert "hint:" in told.stderr
    assert told.stdout == "", "no square is shown"


def test_an_address_that_the_certificate_does_not_name(clear, faulty, monkeypatch):
    monkeypatch.chdir(faulty)
    told = answer(clear.path, "kiln.pem", "kiln.key", "192.168.1.5")
    assert told.stderr == (
        "kiln.pem names kiln.test, 127.0.0.1, not 192.168.1.5\n  hint: say --host "
        'kiln.test, or make one with -addext "subjectAltName=IP:192.168.1.5"\n'
    )
