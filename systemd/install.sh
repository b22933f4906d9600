#!/usr/bin/env bash
# Installs midwatch as a service of systemd, or takes it away again.
#
#   bash systemd/install.sh            install, or upgrade in place
#   bash systemd/install.sh --dry-run  say what would be done
#   bash systemd/install.sh --wheels FOLDER   install from the built packages in FOLDER, without network
#   bash systemd/install.sh --halves   as two services: one has the drives and no network, the other the
#                                      network and no drives (as a user of its own, midwatch)
#   bash systemd/install.sh --whole    as one service again; without either word what is there stays
#   bash systemd/install.sh --remove   stop and take away the program; settings and history stay
#   bash systemd/install.sh --purge    the same, and settings and history too
#
# What it puts where: the program into /opt/midwatch (a virtual environment), the command into
# /usr/local/bin/midwatch, settings into /etc/midwatch, history into /var/lib/midwatch, the unit
# midwatch.service (or midwatch-reader.service and midwatch-desk.service) into /etc/systemd/system. It
# installs python3-venv, smartmontools and util-linux from the distribution where they are missing.
set -euo pipefail
umask 022 # the half that tells runs as a user of its own, and anybody may ask for help or the manual
PATH=$PATH:/usr/sbin:/sbin # where "su" without "-" does not look
here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")/.." && pwd)
# shellcheck source=systemd/ready.sh
. "$here/systemd/ready.sh"

prefix=/opt/midwatch
settings=/etc/midwatch
state=/var/lib/midwatch
units=/etc/systemd/system
link=/usr/local/bin/midwatch
share=/usr/local/share
manual=$share/man/man8/midwatch.8
# Where each shell looks for completions, and what click calls the shell.
completions=("bash $share/bash-completion/completions/midwatch" "zsh $share/zsh/site-functions/_midwatch"
    "fish $share/fish/vendor_completions.d/midwatch.fish")
dry=
wheels=
halves=
what=install

while [ "$#" -gt 0 ]; do
    case "$1" in
    --dry-run) dry=1 ;;
    --halves) halves=yes ;;
    --whole) halves=no ;;
    --wheels)
        wheels=${2:-}
        own=$(printf '%s\n' "$wheels"/midwatch-*.whl | sort -V | tail -n 1) # the newest, where there are more
        if [ -z "$wheels" ] || [ ! -f "$own" ]; then
            say "--wheels needs a folder with built packages: midwatch-*.whl and what it needs"
            exit 2
        fi
        shift
        ;;
    --remove) what=remove ;;
    --purge) what=purge ;;
    -h | --help)
        sed -n '2,17s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"
        exit 0
        ;;
    *)
        say "“$1” is not understood; the words are --dry-run, --wheels, --halves, --whole, --remove, --purge and --help"
        exit 2
        ;;
    esac
    shift
done

if [ -z "$dry" ] && [ "$(id -u)" -ne 0 ]; then
    say "only root can do this: sudo bash systemd/install.sh"
    exit 1
fi

do_it() {
    if [ -n "$dry" ]; then
        printf 'would run: %s\n' "$*"
    else
        "$@"
    fi
}

has_systemd() { [ -d /run/systemd/system ]; }

# stop_service UNIT... : stops the units that are installed, and takes them away.
stop_service() {
    local unit
    for unit in "$@"; do
        if [ -e "$units/$unit" ]; then
            if has_systemd; then do_it systemctl disable --now "$unit" || true; fi
            do_it rm -f "$units/$unit"
        fi
    done
}

# as_owner FOLDER COMMAND... : runs a command as the folder's owner, who may have laid links there that root must not follow.
as_owner() {
    local folder=$1
    shift
    setpriv --reuid "$(stat -c %u -- "$folder")" --regid "$(stat -c %g -- "$folder")" --clear-groups -- "$@"
}

# give_to_desk : the half that tells runs as a user of its own, who keeps the history and may read the settings.
give_to_desk() {
    if ! getent passwd midwatch >/dev/null; then
        do_it useradd --system --user-group --home-dir "$state" --no-create-home --shell /usr/sbin/nologin midwatch
    fi
    do_it chown -RH midwatch:midwatch "$state"
    do_it chgrp -RH midwatch "$settings"
    do_it chmod -R g+rX,o= "$settings"
}

# copy_history PYTHON : copies the history before a newer program changes its form; the newest three copies stay, as the
# program itself keeps them (watcher/store/copies.py). A copy has its name only when it is whole.
copy_history() {
    local copy old
    copy="$state/midwatch.db.before-$(date -u +%Y%m%dT%H%M%SZ)"
    if [ -n "$dry" ]; then
        echo "would copy: $state/midwatch.db to $copy"
        return 0
    fi
    if ! (umask 077 && cd / && as_owner "$state" "$1" -I -c 'import os, shutil, sqlite3, sys
from contextlib import closing, suppress
store, copy = sys.argv[1:]
beside = store + ".new-installer"
def drop():
    with suppress(FileNotFoundError): os.unlink(beside)
try:
    drop()
    try:
        with closing(sqlite3.connect(store)) as source, closing(sqlite3.connect(beside)) as target, target: source.backup(target)
    except sqlite3.OperationalError: raise
    except sqlite3.DatabaseError: # damaged: the program saves what it can, and this is what it had
        drop()
        shutil.copyfile(store, beside)
    os.rename(beside, copy)
except (OSError, sqlite3.Error) as error:
    drop()
    sys.exit(f"midwatch: {store}: {error}")' "$state/midwatch.db" "$copy"); then
        say "the history could not be copied, so nothing was changed: make room on its disk, or look at the drive under it"
        exit 4
    fi
    say "the history was copied to $copy"
    for old in $(printf '%s\n' "$state"/midwatch.db.before-*Z* | sort | head -n -3); do rm -f -- "$old"; done
}

# is_whole : whether every file of every package of the program is there.
is_whole() {
    "$prefix/bin/python" -I -c 'import sys
from importlib.metadata import distributions
for package in distributions():
    for file in package.files or sys.exit(1):
        if file.suffix != ".pyc" and not file.locate().exists(): sys.exit(1)' 2>/dev/null
}

# put_packages : the program and what it needs, into its environment.
put_packages() {
    local pip=("$prefix/bin/python" -m pip install --quiet --disable-pip-version-check) have copy
    if [ -z "$wheels" ] && [ -n "$dry" ]; then
        do_it "${pip[@]}" --upgrade "$here"
        return
    elif [ -z "$wheels" ]; then
        # From a copy: a build leaves folders beside its source, and takes what an older one left there for today's.
        copy=$(mktemp -d)
        cp -R -- "$here/pyproject.toml" "$here/README.md" "$here/watcher" "$copy"
        "${pip[@]}" --upgrade "$copy" || have=failed
        rm -rf -- "$copy"
        [ "${have:-}" != failed ]
        return
    fi
    have=$("$prefix/bin/python" -c 'from importlib.metadata import version; print(version("midwatch"))' 2>/dev/null || true)
    do_it "${pip[@]}" --no-index --find-links "$wheels" --upgrade "$own" || return 1
    # A wheel with the number that is installed already is put in its place all the same.
    if [[ "${own##*/}" == "midwatch-$have-"* ]]; then
        do_it "${pip[@]}" --no-index --no-deps --force-reinstall "$own"
    fi
}

# put_program PYTHON : the same, with an environment around it. One that a newer Python of the distribution left without
# its packages is made anew, and so is one that a run which was cut off left half done: pip takes its rest for the whole.
put_program() {
    if [ ! -x "$prefix/bin/python" ] || ! "$prefix/bin/python" -m pip --version >/dev/null 2>&1; then
        do_it "$1" -m venv --clear "$prefix"
    fi
    if [ -z "$dry" ]; then rm -rf -- "$prefix"/lib/python*/site-packages/~*; fi # what such a run had laid aside
    if put_packages; then
        if [ -n "$dry" ] || is_whole; then return 0; fi
    elif is_whole; then
        say "the packages could not be had; what is installed stays as it was"
        exit 1
    fi
    say "what was installed is not whole; it is put in place anew"
    "$1" -m venv --clear "$prefix"
    put_packages
}

# write_help : the manual page and the completions for the shells, made by the command itself.
write_help() {
    local row shell place
    if [ -n "$dry" ]; then
        printf 'would write: %s\n' "$manual" "${completions[@]#* }"
        return 0
    fi
    install -d "${manual%/*}" || return 0
    rm -f -- "$manual" "${completions[@]#* }" # one that is there keeps its mode
    "$link" man >"$manual" || rm -f "$manual"
    for row in "${completions[@]}"; do
        shell=${row%% *} place=${row#* }
        install -d "${place%/*}" || return 0
        _MIDWATCH_COMPLETE="${shell}_source" "$link" >"$place" || rm -f "$place"
    done
}

case "$what" in
install)
    if [ -z "$dry" ]; then bring python3-venv smartmontools util-linux; else echo "would install: python3-venv smartmontools util-linux (those that are missing)"; fi
    python=$(find_python)
    if [ -e "$state/midwatch.db" ]; then copy_history "$python"; fi
    put_program "$python"
    if [ -z "$dry" ]; then chmod -R go+rX "$prefix"; fi # also where an earlier run had another umask
    do_it install -d -m 0750 "$settings" "$state"
    if [ ! -e "$settings/midwatch.yaml" ]; then
        say "no settings yet: sensible ones are used. To write a file: midwatch config init > $settings/midwatch.yaml"
    fi
    if do_it install -d "${link%/*}" && do_it ln -sfn "$prefix/bin/midwatch" "$link"; then
        write_help
    else
        say "the command could not be put there; it is $prefix/bin/midwatch"
    fi
    if [ -z "$halves" ] && [ -e "$units/midwatch-desk.service" ]; then halves=yes; fi
    if [ "$halves" = yes ]; then
        mine=(midwatch-reader.service midwatch-desk.service)
        stop_service midwatch.service
        give_to_desk
    else
        mine=(midwatch.service)
        if [ -e "$units/midwatch-desk.service" ]; then
            stop_service midwatch-desk.service midwatch-reader.service
        fi
        # Also where the halves were taken away: the one service is root without the right to write what is another's.
        if [ -d "$state" ] && [ "$(stat -Lc %u -- "$state")" != 0 ]; then do_it chown -RH root:root "$state"; fi
    fi
    for unit in "${mine[@]}"; do do_it install -m 0644 "$here/systemd/$unit" "$units/$unit"; done
    if has_systemd; then
        do_it systemctl daemon-reload
        do_it systemctl enable "${mine[@]}"
        for unit in "${mine[@]}"; do # a reload asks the new program what it makes of the settings (ExecReload=)
            if [ -z "$dry" ] && systemctl is-active --quiet "$unit" && ! systemctl reload "$unit"; then
                say "the settings have a fault, which journalctl -u $unit shows: mend it and run this again." \
                    "Until then the watch that runs goes on with the program and the settings it began with"
                exit 1
            fi
        done
        if ! do_it systemctl restart "${mine[@]}"; then
            "$prefix/bin/midwatch" config check || true
            say "it did not start, so nobody watches now. Why: journalctl -u 'midwatch*' -n 30"
            exit 1
        fi
        say "running. See what it sees: midwatch look; its messages: journalctl -u 'midwatch*'"
    else
        say "systemd does not run here; start it by hand: midwatch watch"
    fi
    ;;
remove | purge)
    stop_service midwatch.service midwatch-desk.service midwatch-reader.service
    do_it rm -f "$link" "$manual" "${completions[@]#* }"
    if [ -z "$dry" ] && [ -d "$share" ]; then # folders that were made for these, where nothing else came into them
        (cd -- "$share" && rmdir -p bash-completion/completions zsh/site-functions fish/vendor_completions.d) 2>/dev/null || true
    fi
    do_it rm -rf "$prefix"
    if has_systemd; then do_it systemctl daemon-reload; fi
    if [ "$what" = purge ]; then
        do_it rm -rf "$settings" "$state" || say "what lies on a file system of its own keeps its empty folder"
        if getent passwd midwatch >/dev/null; then do_it userdel midwatch; fi
    elif [ -d "$settings" ] || [ -d "$state" ]; then
        say "settings ($settings) and history ($state) stay; --purge takes them too"
    fi
    ;;
esac
