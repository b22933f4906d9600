#!/usr/bin/env bash
# Makes everything ready for the tests on a fresh Debian or Ubuntu machine and runs all of them.
# Installs, where this is root and they are missing: python3-venv, smartmontools, btrfs-progs, util-linux, mosquitto, tmux, chromium,
# postgresql (the tests start a server of their own and leave the distribution's alone).
# Makes the folder .venv-test beside README.md and installs midwatch with its [test] extra there, in the versions of
# tests/constraints.txt.
# Words after the script's name go to pytest: bash tests/run.sh tests/cases
#   --lab    also boot the guest machine of tests/lab (needs qemu; minutes)
set -euo pipefail
here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")/.." && pwd)
cd -- "$here"
# shellcheck source=systemd/ready.sh
. "$here/systemd/ready.sh"

lab=()
words=()
for word in "$@"; do
    if [ "$word" = "--lab" ]; then lab=(-m "lab or not lab"); else words+=("$word"); fi
done

bring python3-venv smartmontools btrfs-progs util-linux iproute2 openssl mosquitto tmux kmod chromium postgresql
if [ "${#lab[@]}" -gt 0 ]; then bring qemu-system-x86 debootstrap debian-archive-keyring busybox-static cpio e2fsprogs; fi
make_environment "$here/.venv-test" "$here" "[test]" "$here/tests/constraints.txt"
bin="$here/.venv-test/bin"

if [ "${#words[@]}" -eq 0 ]; then
    say "rules of style"
    "$bin/ruff" check .
    "$bin/ruff" format --check --quiet .
    say "types"
    "$bin/mypy"
    say "who may import whom"
    "$bin/lint-imports" >/dev/null || "$bin/lint-imports"
fi
say "tests"
exec "$bin/python" -m pytest "${lab[@]}" "${words[@]}"
