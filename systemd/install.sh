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
    do_it chown -R midwatch:midwatch "$state"
    do_it chgrp -R midwatch "$settings"
    do_it chmod -R g+rX,o= "$settings"
}

# write_help : the manual page and the completions for the shells, made by the command itself.
write_help() {
    local row shell place
    if [ -n "$dry" ]; then
        printf 'would write: %s\n' "$manual" "${completions[@]#* }"
        return 0
    fi
    install -d "${manual%/*}"
    "$link" man >"$manual" || rm -f "$manual"
    for row in "${completions[@]}"; do
        shell=${row%% *} place=${row#* }
        install -d "${place%/*}"
        _MIDWATCH_COMPLETE="${shell}_source" "$link" >"$place" || rm -f "$place"
    done
}

case "$what" in
install)
    if [ -z "$dry" ]; then bring python3-venv smartmontools util-linux; else echo "would install: python3-venv smartmontools util-linux (those that are missing)"; fi
    python=$(find_python)
    if [ -e "$state/midwatch.db" ]; then
        # The history is copied before a newer program changes its form.
        copy="$state/midwatch.db.before-$(date -u +%Y%m%dT%H%M%SZ)"
        if [ -n "$dry" ]; then
            echo "would copy: $state/midwatch.db to $copy"
        else
            (umask 077 && cd / && as_owner "$state" "$python" -I -c 'import sqlite3, sys
source = sqlite3.connect(sys.argv[1]); target = sqlite3.connect(sys.argv[2])
with target: source.backup(target)' "$state/midwatch.db" "$copy")
            say "the history was copied to $copy"
            # The newest three stay; the program itself keeps as many (watcher/store/copies.py).
            for old in $(printf '%s\n' "$state"/midwatch.db.before-*Z* | sort | head -n -3); do rm -f -- "$old"; done
        fi
    fi
    # One that a newer Python of the distribution left without its packages is made anew.
    if [ ! -x "$prefix/bin/python" ] || ! "$prefix/bin/python" -m pip --version >/dev/null 2>&1; then
        do_it "$python" -m venv --clear "$prefix"
    fi
    pip=("$prefix/bin/python" -m pip install --quiet --disable-pip-version-check)
    if [ -n "$wheels" ]; then
        have=$("$prefix/bin/python" -c 'from importlib.metadata import version; print(version("midwatch"))' 2>/dev/null || true)
        do_it "${pip[@]}" --no-index --find-links "$wheels" --upgrade "$own"
        # A wheel with the number that is installed already is put in its place all the same.
        if [[ "${own##*/}" == "midwatch-$have-"* ]]; then
            do_it "${pip[@]}" --no-index --no-deps --force-reinstall "$own"
        fi
    else
        do_it "${pip[@]}" --upgrade "$here"
    fi
    do_it install -d -m 0750 "$settings" "$state"
    if [ ! -e "$settings/midwatch.yaml" ]; then
        say "no settings yet: sensible ones are used. To write a file: midwatch config init > $settings/midwatch.yaml"
    fi
    do_it ln -sfn "$prefix/bin/midwatch" "$link"
    write_help
    if [ -z "$halves" ] && [ -e "$units/midwatch-desk.service" ]; then halves=yes; fi
    if [ "$halves" = yes ]; then
        mine=(midwatch-reader.service midwatch-desk.service)
        stop_service midwatch.service
        give_to_desk
    else
        mine=(midwatch.service)
        if [ -e "$units/midwatch-desk.service" ]; then
            stop_service midwatch-desk.service midwatch-reader.service
            do_it chown -R root:root "$state"
        fi
    fi
    for unit in "${mine[@]}"; do do_it install -m 0644 "$here/systemd/$unit" "$units/$unit"; done
    if has_systemd; then
        do_it systemctl daemon-reload
        do_it systemctl enable "${mine[@]}"
        do_it systemctl restart "${mine[@]}"
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
        do_it rm -rf "$settings" "$state"
        if getent passwd midwatch >/dev/null; then do_it userdel midwatch; fi
    elif [ -d "$settings" ] || [ -d "$state" ]; then
        say "settings ($settings) and history ($state) stay; --purge takes them too"
    fi
    ;;
esac
