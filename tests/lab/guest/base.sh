#!/usr/bin/env bash
# Builds a guest machine of Debian packages: FOLDER/vmlinuz, FOLDER/initrd.img and FOLDER/root, a folder with all files.
#   base.sh FOLDER [SUITE]     SUITE is bookworm unless another is named
# Needs root, and: debootstrap busybox-static cpio kmod. Nothing is mounted but what debootstrap mounts.
# MIRROR names a package mirror; without it the one of this machine's own apt is used, or debootstrap's.
set -euo pipefail
here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")" && pwd)
out=$(realpath -m -- "$1")
suite=${2:-bookworm}
work="$out/work"
root="$out/root"
rm -rf -- "$work" "$root"
mkdir -p -- "$work"

packages=systemd,systemd-sysv,udev,dbus,kmod,dmsetup,util-linux,procps,e2fsprogs,ca-certificates
packages+=,python3,python3-venv,smartmontools,mdadm,btrfs-progs,lvm2,sg3-utils,iproute2

mirror=${MIRROR:-$(apt-get indextargets --format '$(RELEASE) $(REPO_URI)' 2>/dev/null |
    awk -v suite="$suite" '$1 == suite { print $2; exit }')}
# shellcheck disable=SC2086 # no mirror, no word
debootstrap --variant=minbase --include="$packages" "$suite" "$root" $mirror
mirror=$(awk '$1 == "deb" { print $2; exit }' "$root/etc/apt/sources.list")

# The kernel: taken out of its package, so that nothing has to build an initramfs inside the guest.
field() { # field PACKAGE NAME : a field of the package index that debootstrap fetched and checked
    awk -v package="$1" -v name="$2:" '$1 == "Package:" { here = ($2 == package) }
        here && $1 == name && !found { sub(/^[^ ]+ /, ""); print; found = 1 }' \
        "$root"/var/lib/apt/lists/*_Packages
}
image=$(field linux-image-amd64 Depends | grep -o 'linux-image-[^ ,]*amd64')
/usr/lib/apt/apt-helper download-file "$mirror/$(field "$image" Filename)" "$work/kernel.deb" \
    "SHA256:$(field "$image" SHA256)"
version=${image#linux-image-}
mkdir "$work/kernel"
wanted=()
for part in drivers/{ata,scsi,md,nvme,block,virtio,char,cdrom,dax,hwmon,input,message,net/virtio_net.ko,net/net_failover.ko,net/veth.ko} \
    drivers/{hotplug,pci,acpi,rtc} net/core/failover.ko net/sched/sch_netem.ko fs/{btrfs,ext4,jbd2,mbcache.ko,binfmt_misc.ko,configfs,autofs,fuse,nls,efivarfs} lib crypto \
    arch/x86/crypto block; do
    for at in ./lib ./usr/lib; do # before and after the folders were merged
        wanted+=("$at/modules/$version/kernel/$part" "$at/modules/$version/kernel/$part.xz")
    done
done
for at in ./lib ./usr/lib; do wanted+=("$at/modules/$version"/modules.{order,builtin,builtin.modinfo}); done
dpkg --fsys-tarfile "$work/kernel.deb" >"$work/kernel.tar"
tar -C "$work/kernel" -xf "$work/kernel.tar" "./boot/vmlinuz-$version" "${wanted[@]}" 2>/dev/null ||
    true # parts that this kernel has built in, or packs otherwise
if [ -d "$work/kernel/usr/lib/modules" ]; then mkdir -p "$work/kernel/lib" && mv "$work/kernel/usr/lib/modules" "$work/kernel/lib/"; fi
find "$work/kernel" -name '*.ko.xz' -exec xz -d {} +
mkdir -p "$work/kernel/usr"
depmod -b "$work/kernel" "$version"
cp "$work/kernel/boot/vmlinuz-$version" "$out/vmlinuz"

# The first step of the boot: a static shell and the modules that lead to the root file system.
first="$work/first"
mkdir -p "$first"/{bin,proc,sys,dev,newroot,mods}
cp /bin/busybox "$first/bin/busybox"
for module in virtio_pci virtio_blk crc32c_generic ext4; do
    modprobe -d "$work/kernel" -S "$version" --show-depends "$module"
done | while read -r kind path _; do
    name=$(basename -- "$path")
    if [ "$kind" = insmod ] && [ ! -e "$first/mods/$name" ]; then
        cp "$path" "$first/mods/$name"
        echo "$name"
    fi
done >"$first/order"
cat >"$first/init" <<'INIT'
#!/bin/busybox sh
for one in "proc proc /proc" "sysfs sys /sys" "devtmpfs dev /dev"; do /bin/busybox mount -t $one; done
while read -r module; do /bin/busybox insmod "/mods/$module"; done </order
tries=0
until [ -b /dev/vda ] || [ "$tries" -ge 100 ]; do /bin/busybox sleep 0.1; tries=$((tries + 1)); done
/bin/busybox mount -t ext4 -o rw,noatime /dev/vda /newroot || exec /bin/busybox sh
/bin/busybox mount --move /dev /newroot/dev
/bin/busybox umount /sys
/bin/busybox umount /proc
exec /bin/busybox switch_root /newroot /lib/systemd/systemd
INIT
chmod +x "$first/init"
(cd "$first" && find . | cpio -o -H newc --quiet | gzip -1 >"$out/initrd.img")

# The root file system, without what no test reads.
mkdir -p "$root/usr/lib/modules"
cp -a "$work/kernel/lib/modules/." "$root/usr/lib/modules/"
rm -rf "$root"/var/cache/apt/* "$root"/var/lib/apt/lists/* "$root"/usr/share/{doc,man,locale,info}/*
find "$root/etc/systemd/system" -path '*.wants/*' -delete # what packages start by themselves
install -D -m 0755 "$here/agent.py" "$root/opt/lab/agent.py"
cp -a "$here/etc/." "$root/etc/"
echo attic >"$root/etc/hostname"
: >"$root/etc/fstab"
echo 0123456789abcdef0123456789abcdef >"$root/etc/machine-id"
wants="$root/etc/systemd/system/multi-user.target.wants"
mkdir -p "$wants" "$root/etc/systemd/system/network-online.target.wants"
ln -sf /etc/systemd/system/lab-agent.service "$wants/lab-agent.service"
ln -sf /lib/systemd/system/systemd-networkd.service "$wants/systemd-networkd.service"
ln -sf /lib/systemd/system/systemd-networkd-wait-online.service \
    "$root/etc/systemd/system/network-online.target.wants/systemd-networkd-wait-online.service"
ln -sf /lib/systemd/system/multi-user.target "$root/etc/systemd/system/default.target"
rm -rf -- "$work"
