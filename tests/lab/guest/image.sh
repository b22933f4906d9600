#!/usr/bin/env bash
# Makes the guest's disk: image.sh ROOT PARCEL TARGET
# ROOT is what base.sh made, PARCEL a folder with systemd/ and wheels/. midwatch is installed by its own script, in a
# copy of ROOT and at the speed of this machine (in the guest, whose processor is emulated, it takes minutes).
# Needs root, and: mke2fs (e2fsprogs). No loop device, nothing is mounted.
set -euo pipefail
target=$(realpath -m -- "$3")
root="$target.root"
rm -rf -- "$root" "$target"
cp -a -- "$1" "$root"
cp -a -- "$2" "$root/root/parcel"
chroot "$root" /usr/bin/env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root \
    bash /root/parcel/systemd/install.sh --wheels /root/parcel/wheels
rm -rf -- "$root/root/parcel"
mke2fs -q -t ext4 -O ^has_journal,^metadata_csum -m 0 -d "$root" "$target" 2G
rm -rf -- "$root"
