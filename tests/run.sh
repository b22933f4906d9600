#!/usr/bin/env bash
# Makes everything ready for the tests on a fresh Debian or Ubuntu machine and runs all of them.
# Installs, where this is root and they are missing: python3-venv, smartmontools, btrfs-progs, util-linux, mosquitto, tmux, chromium,
# postgresql (the tests start a server of their own and leave the distribution's alone).
# Makes the folder .venv-test beside README.md and installs midwatch with its [test] extra there, in the versions of
# tests/constraints.txt.
# Words after the script's name go to pytest: bash tests/run.sh tests/cases
#   --lab    also boot the guest machines of tests/lab (needs qemu and root; says first how long that takes)
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
if [ "${#lab[@]}" -gt 0 ]; then
    count=0
    for file in tests/lab/test_guest*.py; do
        asked=yes
        for word in "${words[@]}"; do
            path=${word%%::*}
            if [ ! -e "$path" ]; then continue; fi # an option of pytest
            case "$file" in "${path%/}" | "${path%/}"/*) asked=yes && break ;; *) asked=no ;; esac
        done
        if [ "$asked" = yes ]; then count=$((count + 1)); fi
    done
    if [ "$count" -gt 0 ]; then
        say "the lab: guest machines that boot one after the other: $count, each 5 to 15 minutes ($((count * 5)) to $((count * 15)) in all)," \
            "more where others work on this machine, and the first time some 5 minutes to build what they start from"
        say "(kept in ${MIDWATCH_LAB:-tests/output/guest}, 2.5 GB; ${MIDWATCH_LAB_SUITE:-bookworm}); none is left running, however the tests end"
    fi
fi
say "tests"
exec "$bin/python" -m pytest "${lab[@]}" "${words[@]}"
