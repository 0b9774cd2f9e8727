#!/bin/sh
# Sets the agent up in an environment beside the checkout and shows it at work:
#
#   sh packaging/try.sh            the demo; on a host with arrays it offers how they stand now instead
#   sh packaging/try.sh --demo     the demo in any case
#
# Nothing outside the environment is changed: .venv-try in the checkout, or where MENDWATCH_VENV says.
set -eu

here=$(cd -- "$(dirname -- "$0")" && pwd)
checkout=$(dirname -- "$here")
venv=${MENDWATCH_VENV:-$checkout/.venv-try}
. "$here/python.sh"

choice=''
case ${1:-} in
'') ;;
--demo) choice=demo ;;
*)
    sed -n '2,7s/^# \{0,1\}//p' "$0"
    exit 2
    ;;
esac

echo "Setting up in $venv ..."
make_environment "$venv" "$checkout[demo]"
mendwatch=$venv/bin/mendwatch

demo() {
    "$mendwatch" demo
}

if [ "$choice" = demo ]; then
    demo
    exit
fi

look=$(mktemp -d "${TMPDIR:-/tmp}/mendwatch-try.XXXXXX")
trap 'rm -rf "$look"' EXIT
# One look at this host: it reads, and writes nothing but these two files.
if "$mendwatch" record --output "$look/now.jsonl.gz" >"$look/said" 2>&1 &&
    "$mendwatch" parse "$look/now.jsonl.gz" --json 2>>"$look/said" | grep -q '"arrays": *\[{'; then
    if [ -t 0 ] && [ -t 1 ]; then
        printf 'This host has arrays. Show how they stand now (s), or play the demo (d)? [s] '
        read -r answer || answer=s
        case $answer in d* | D*) demo; exit ;; esac
    fi
    "$mendwatch" preflight || true
    "$mendwatch" replay "$look/now.jsonl.gz" --history "$look/history.db" >/dev/null
    echo
    "$mendwatch" status --history "$look/history.db"
    echo
    echo "To keep watch:  sudo sh packaging/install.sh      To see a rebuild go wrong:  sh packaging/try.sh --demo"
else
    echo "No array was found on this host (or none that this account may read): here is the demo."
    demo
fi
