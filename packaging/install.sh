#!/bin/sh
# Installs the agent into an environment of its own, writes a first configuration, and starts the service.
#
#   sh packaging/install.sh [WHEEL]      as root; without WHEEL, from this checkout
#
# Installing again upgrades: the configuration and the history are left as they are.
# For packagers and tests: PREFIX (default /opt/mendwatch) is where the environment goes; with DESTDIR everything is
# put below that directory, and no account is made and no service started.
set -eu
# Whatever the shell of root forbids others: the service's account must be able to read the environment.
umask 022

here=$(cd -- "$(dirname -- "$0")" && pwd)
checkout=$(dirname -- "$here")
prefix=${PREFIX:-/opt/mendwatch}
destdir=${DESTDIR:-}
etc=$destdir/etc/mendwatch
units=$destdir/etc/systemd/system
. "$here/python.sh"

# btrfs and device-mapper RAID tell their state to root only; systemd/with-btrfs.conf says why.
needs_root() {
    if [ -d /sys/module/dm_raid ]; then return 0; fi
    for devices in /sys/fs/btrfs/*-*/devices; do
        if [ "$(ls "$devices" 2>/dev/null | wc -l)" -gt 1 ]; then return 0; fi
    done
    return 1
}

case ${1:-} in
-*)
    sed -n '2,8s/^# \{0,1\}//p' "$0"
    exit 2
    ;;
esac
if [ -z "$destdir" ] && [ "$(id -u)" -ne 0 ]; then
    echo "$0: this needs root: it writes to $prefix, /etc and the service manager. Try: sudo sh $0" >&2
    exit 1
fi

echo "Installing into $destdir$prefix ..."
mkdir -p "$destdir$prefix"
make_environment "$destdir$prefix" "${1:-$checkout}"

account=root
if [ -z "$destdir" ]; then
    if ! getent passwd mendwatch >/dev/null; then
        useradd --system --user-group --home-dir /var/lib/mendwatch --no-create-home \
            --shell /usr/sbin/nologin mendwatch
    fi
    account=mendwatch
    ln -sf "$prefix/bin/mendwatch" /usr/local/bin/mendwatch
fi

# Secrets may stand beside the configuration: the service reads, nobody else does.
mkdir -p "$etc"
if [ -z "$destdir" ]; then chgrp "$account" "$etc"; fi
chmod 0750 "$etc"
if [ -e "$etc/mendwatch.toml" ]; then
    echo "Keeping the configuration $etc/mendwatch.toml."
else
    (umask 077 && cp "$checkout/config/mendwatch.toml" "$etc/mendwatch.toml")
    if [ -z "$destdir" ]; then chgrp "$account" "$etc/mendwatch.toml"; fi
    chmod 0640 "$etc/mendwatch.toml"
    echo "Wrote a first configuration: $etc/mendwatch.toml"
fi

mkdir -p "$units"
sed "s|/opt/mendwatch/bin/|$prefix/bin/|" "$here/systemd/mendwatch.service" >"$units/mendwatch.service"
chmod 0644 "$units/mendwatch.service"
if [ -z "$destdir" ] && needs_root; then
    mkdir -p "$units/mendwatch.service.d"
    if [ ! -e "$units/mendwatch.service.d/with-btrfs.conf" ]; then
        cp "$here/systemd/with-btrfs.conf" "$units/mendwatch.service.d/with-btrfs.conf"
        echo "This host has btrfs or device-mapper arrays: the service runs as root, with no right but to look."
    fi
fi

if [ -n "$destdir" ]; then
    echo "Staged below $destdir; nothing was started."
elif [ -d /run/systemd/system ]; then
    systemctl daemon-reload
    systemctl enable --quiet mendwatch.service
    # Without waiting: the service is ready only when every source was polled, and a hung tool takes its time.
    systemctl restart --no-block mendwatch.service
    echo "The service is starting: systemctl status mendwatch"
else
    echo "systemd does not run here; start the agent by hand:  $prefix/bin/mendwatch run"
fi

cat <<END

Next:
  1. $etc/mendwatch.toml   name a webhook or a mail server, and how long a degraded window may last
  2. mendwatch preflight                  says what is fine and what is still to do
  3. systemctl reload mendwatch           takes the new configuration, or says in the log what is wrong with it
  4. mendwatch page-test                  sends a test alert through every channel: check that it reaches you
END
