# Sourced by demo/run, tests/run, tests/extended and .ci/run: one list of system packages and one way to Rust.
# Says what it needs before it installs anything; where it cannot install, prints the command.

say() { printf '%s\n' "$*" >&2; }

# Which package manager this machine has, or "none".
package_manager() {
    case "$(uname -s)" in Darwin) echo macos; return ;; esac
    local manager
    for manager in apt-get dnf pacman; do
        if command -v "$manager" >/dev/null 2>&1; then echo "$manager"; return; fi
    done
    echo none
}

# What is missing here for the purposes named: "build", "tests", "extended". One word each.
missing_things() {
    local purpose
    for purpose in "$@"; do
        case "$purpose" in
        build)
            command -v cc >/dev/null 2>&1 || echo compiler
            if [ "$(uname -s)" = Linux ]; then
                command -v pkg-config >/dev/null 2>&1 || echo pkg-config
                pkg-config --exists alsa 2>/dev/null || echo alsa
                pkg-config --exists jack 2>/dev/null || echo jack
            fi
            ;;
        tests)
            command -v sox >/dev/null 2>&1 || echo sox
            command -v sndfile-info >/dev/null 2>&1 || echo sndfile
            python3 -c 'import venv, ensurepip' >/dev/null 2>&1 || echo python
            command -v pdftotext >/dev/null 2>&1 || echo pdftotext
            command -v chromium >/dev/null 2>&1 || command -v google-chrome >/dev/null 2>&1 || echo chromium
            if [ "$(uname -s)" = Linux ]; then
                command -v jackd >/dev/null 2>&1 || echo jackd
                python3 -c 'import ctypes.util, sys; sys.exit(ctypes.util.find_library("ltc") is None)' 2>/dev/null ||
                    echo libltc
            fi
            ;;
        extended)
            if [ "$(uname -s)" = Linux ]; then
                command -v valgrind >/dev/null 2>&1 || echo valgrind
            fi
            ;;
        esac
    done
}

# The package that brings a thing, for a package manager.
package_of() {
    case "$1:$2" in
    apt-get:compiler) echo build-essential ;;
    apt-get:pkg-config) echo pkg-config ;;
    apt-get:alsa) echo libasound2-dev ;;
    apt-get:jack) echo libjack-jackd2-dev ;;
    apt-get:jackd) echo jackd2 ;;
    apt-get:libltc) echo libltc11 ;;
    apt-get:sox) echo sox ;;
    apt-get:sndfile) echo libsndfile1 sndfile-programs ;;
    apt-get:python) echo python3 python3-venv ;;
    apt-get:pdftotext | dnf:pdftotext) echo poppler-utils ;;
    dnf:compiler) echo gcc ;;
    dnf:pkg-config) echo pkgconf-pkg-config ;;
    dnf:alsa) echo alsa-lib-devel ;;
    dnf:jack) echo pipewire-jack-audio-connection-kit-devel ;;
    dnf:jackd) echo jack-audio-connection-kit ;;
    dnf:sndfile) echo libsndfile-utils ;;
    dnf:python) echo python3 ;;
    pacman:compiler) echo base-devel ;;
    pacman:pkg-config) echo pkgconf ;;
    pacman:alsa) echo alsa-lib ;;
    pacman:jack | pacman:jackd) echo jack2 ;;
    pacman:sndfile) echo libsndfile ;;
    pacman:pdftotext) echo poppler ;;
    *) echo "$2" ;;
    esac
}

install_command() {
    case "$1" in
    apt-get) echo "apt-get install -y --no-install-recommends" ;;
    dnf) echo "dnf install -y" ;;
    pacman) echo "pacman -S --needed --noconfirm" ;;
    esac
}

# Runs a command as root: directly, or through sudo where that works without a hidden question.
as_root() {
    if [ "$(id -u)" = 0 ]; then
        env DEBIAN_FRONTEND=noninteractive "$@"
    elif command -v sudo >/dev/null 2>&1 && { [ -t 0 ] || sudo -n true 2>/dev/null; }; then
        sudo env DEBIAN_FRONTEND=noninteractive "$@"
    else
        return 97
    fi
}

# ensure_packages PURPOSE...: 0 when everything is there at the end.
ensure_packages() {
    local missing manager packages thing
    missing="$(missing_things "$@" | sort -u)"
    if [ -z "$missing" ]; then return 0; fi
    manager="$(package_manager)"
    if [ "$manager" = macos ]; then
        say "Missing here: $(echo $missing)."
        say "  The compiler comes with:   xcode-select --install"
        say "  sox, sndfile and Python come with the package manager you use, or from their own pages."
        return 1
    fi
    if [ "$manager" = none ]; then
        say "Missing here: $(echo $missing)."
        say "  Install them with this system's package manager, then run this again. On Debian the packages are:"
        say "  $(for thing in $missing; do package_of apt-get "$thing"; done | tr '\n' ' ')"
        return 1
    fi
    packages="$(for thing in $missing; do package_of "$manager" "$thing"; done | tr '\n' ' ')"
    say "System packages needed: $packages"
    say "  Installing them with:   $(install_command "$manager") $packages"
    install_packages "$manager" $packages || true
    missing="$(missing_things "$@" | sort -u)"
    if [ -n "$missing" ]; then
        say "Still missing: $(echo $missing). As root (or with sudo in front), run:"
        say "  $(install_command "$manager") $packages"
        return 1
    fi
}

install_packages() {
    local manager="$1"
    shift
    if [ "$manager" = apt-get ] && ! as_root $(install_command apt-get) "$@" >&2; then
        # A fresh image has no package lists yet.
        as_root apt-get update >&2 || return 1
    fi
    as_root $(install_command "$manager") "$@" >&2
}

# ensure_rust: cargo in PATH and new enough, or a sentence how to get it.
ensure_rust() {
    local wanted found
    wanted="$(sed -n 's/^rust-version = "\(.*\)"/\1/p' Cargo.toml)"
    if ! command -v cargo >/dev/null 2>&1 && [ -x "${HOME:-/nonexistent}/.cargo/bin/cargo" ]; then
        PATH="${HOME:-/nonexistent}/.cargo/bin:$PATH"
    fi
    if ! command -v cargo >/dev/null 2>&1; then
        say "Rust is missing. It is installed for you alone, without root, by the command on https://rustup.rs:"
        say "  curl --proto '=https' --tlsv1.2 -sSf https://sh.rustup.rs | sh"
        say "Then open a new terminal and run this again."
        return 1
    fi
    found="$(rustc --version | sed 's/^rustc \([0-9.]*\).*/\1/')"
    if [ "$(printf '%s\n%s\n' "$wanted" "$found" | sort -V | head -n 1)" != "$wanted" ]; then
        say "Rust $found is too old: $wanted or newer is needed. With rustup:   rustup update stable"
        return 1
    fi
}
