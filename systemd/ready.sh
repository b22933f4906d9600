# shellcheck shell=bash
# Shared by start.sh and tests/run.sh: brings system packages and a virtual environment.
# Source it; it defines functions and does nothing by itself.

# say WORDS... : to standard error, at a terminal without breaking a word at its edge.
say() {
    if [ -t 2 ]; then
        printf 'midwatch: %s\n' "$*" | fold -s -w "$(tput cols 2>/dev/null || echo 80)" >&2
    else
        printf 'midwatch: %s\n' "$*" >&2
    fi
}

# bring PACKAGE... : installs Debian packages that are missing, when this is root on a machine with apt.
# Otherwise it says which are missing and goes on: what needs them will say so.
bring() {
    local missing=() package
    for package in "$@"; do
        if ! dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'install ok installed'; then
            missing+=("$package")
        fi
    done
    [ "${#missing[@]}" -eq 0 ] && return 0
    if [ "$(id -u)" -ne 0 ] || ! command -v apt-get >/dev/null 2>&1; then
        say "not installed here, and only root can (apt-get install ${missing[*]})"
        return 0
    fi
    say "installing from the distribution: ${missing[*]}"
    export DEBIAN_FRONTEND=noninteractive
    if [ -z "${MIDWATCH_APT_FRESH:-}" ]; then
        apt-get update -qq >/dev/null || say "the package list could not be refreshed; trying with the old one"
        export MIDWATCH_APT_FRESH=1
    fi
    # One by one after a failed try together, so that one package that is not to be had does not cost the others.
    if ! apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null 2>&1; then
        for package in "${missing[@]}"; do
            apt-get install -y -qq --no-install-recommends "$package" >/dev/null 2>&1 ||
                say "$package could not be installed; what needs it will say so"
        done
    fi
}

# find_python : prints a Python of version 3.11 or later, or explains and fails.
find_python() {
    local candidate
    for candidate in python3 python3.14 python3.13 python3.12 python3.11; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$candidate"
            return 0
        fi
    done
    say "Python 3.11 or later is needed, and none was found (Debian 12 and Ubuntu 24.04 have one: apt-get install python3)"
    return 1
}

# make_environment FOLDER SOURCE EXTRAS [CONSTRAINTS] : a virtual environment with the package and its EXTRAS in it, in the
# versions of the file CONSTRAINTS. Installs again only when pyproject.toml or that file changed since the last time.
make_environment() {
    local folder=$1 source=$2 extras=$3 locked=${4:-} python stamp wanted
    local versions=()
    if [ -n "$locked" ]; then versions=(--constraint "$locked"); fi
    python=$(find_python) || return 1
    if [ ! -x "$folder/bin/python" ] || ! "$folder/bin/python" -c '' 2>/dev/null; then
        rm -rf -- "$folder"
        "$python" -m venv -- "$folder" 2>/dev/null || {
            say "a virtual environment could not be made (apt-get install python3-venv)"
            return 1
        }
    fi
    stamp="$folder/midwatch-installed"
    wanted=$(cat -- "$source/pyproject.toml" ${locked:+"$locked"} | cksum; printf '%s %s\n' "$source" "$extras")
    if [ ! -f "$stamp" ] || [ "$(cat -- "$stamp")" != "$wanted" ]; then
        say "installing midwatch and its Python packages into ${folder##*/} (a minute the first time)"
        "$folder/bin/python" -m pip install --quiet --disable-pip-version-check "${versions[@]}" --editable "$source$extras" || return 1
        printf '%s' "$wanted" >"$stamp"
    fi
}
