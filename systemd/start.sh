#!/usr/bin/env bash
# Makes everything ready on a fresh Debian or Ubuntu machine and watches it.
# Installs, where this is root and they are missing: python3-venv, smartmontools, mdadm, util-linux.
# Makes the folder .venv beside README.md and installs midwatch with its Python packages there.
# Words after the script's name go to midwatch instead of "watch": bash systemd/start.sh look
set -euo pipefail
here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=systemd/ready.sh
. "$here/systemd/ready.sh"

bring python3-venv smartmontools util-linux
# Tools of a storage stack are wanted only where that stack is in use.
[ -e /proc/mdstat ] && bring mdadm
if grep -qw btrfs /proc/mounts 2>/dev/null; then bring btrfs-progs; fi
make_environment "$here/.venv" "$here" ""
if [ "$#" -eq 0 ]; then set -- watch; fi
exec "$here/.venv/bin/midwatch" "$@"
