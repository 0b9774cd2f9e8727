#!/bin/sh
# Undoes install.sh. The history and the configuration are kept unless they are asked away:
#
#   sh packaging/uninstall.sh [--purge]      as root
#
# PREFIX and DESTDIR as for install.sh.
set -eu

prefix=${PREFIX:-/opt/mendwatch}
destdir=${DESTDIR:-}
etc=$destdir/etc/mendwatch
state=$destdir/var/lib/mendwatch
units=$destdir/etc/systemd/system

purge=no
case ${1:-} in
'') ;;
--purge) purge=yes ;;
*)
    sed -n '2,6s/^# \{0,1\}//p' "$0"
    exit 2
    ;;
esac
if [ -z "$destdir" ] && [ "$(id -u)" -ne 0 ]; then
    echo "$0: this needs root. Try: sudo sh $0" >&2
    exit 1
fi

if [ -z "$destdir" ] && [ -d /run/systemd/system ]; then
    systemctl disable --now --quiet mendwatch.service || true
fi
rm -f "$units/mendwatch.service" "$units/mendwatch.service.d/with-btrfs.conf" "$units/mendwatch.service.d/with-program.conf"
if [ -d "$units/mendwatch.service.d" ]; then
    # Other drop-ins are the owner's own.
    rmdir "$units/mendwatch.service.d" 2>/dev/null || echo "Keeping $units/mendwatch.service.d: it holds files of yours."
fi
if [ -z "$destdir" ]; then
    if [ -d /run/systemd/system ]; then systemctl daemon-reload; fi
    if [ "$(readlink /usr/local/bin/mendwatch || true)" = "$prefix/bin/mendwatch" ]; then
        rm -f /usr/local/bin/mendwatch
    fi
fi

# Only an environment is removed, never a directory that happens to bear the name.
if [ -e "$destdir$prefix/pyvenv.cfg" ]; then
    rm -rf "$destdir$prefix"
fi

if [ "$purge" = yes ]; then
    rm -rf "$etc" "$state"
    if [ -z "$destdir" ] && getent passwd mendwatch >/dev/null; then userdel mendwatch; fi
    echo "Removed, with configuration and history."
else
    echo "Removed. Kept: $etc (configuration), $state (history). To remove them too: sh $0 --purge"
fi
