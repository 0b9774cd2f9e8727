"""Words that redaction leaves where they stand: those that storage systems print by themselves."""

from __future__ import annotations

import re

_GRAMMAR = """
accessed action activate active active-idle affected algorithm aligned all alloc allocated altroot and another answer
applications apr are array arrays ashift assumed async attach attempt attr aug auto automatically aux avail available
avg awaiting bad balance because been being bitmap blank block blocks broken btrfs busy bypass bytes cache canceled
cancelled cannot cant capacity check checking checkpoint checksum chunk chunks cksum class clean clear clock closed
cnt command complete completed completion component config configure configured connected consistency consumes
continue continued copied copies copy core correct corrected corrupt corrupted corruption could couldn count cpy
created creation crypt csum currently damaged data days dead dec dedup dedupratio def default deferred degraded delay
delayed deleted delta denied detail detected determine determined dev device devices devid direction directory dirty
disable discard disk disks dmsetup docs done draid dsync dump dup duration elapsed eliminate enable enabled
encountered end entire err error errors errs estimated eta evacuation event events exact examine examined exceeded
exist exists exit expand expanded expandsize expansion expected experienced export exported external fail failed
failing failure failures far fault faulted faulty feature features feb file files filesystem find finish finished
flags flakey flush following for force format forwards found fragmentation free fri from frozen full function
functioning generation gib github global group guid hard has have header healed healing health healthy hint history
hold home host hot hours http https idle image images import imported in inactive indirect info initializing input
insufficient intact integrity intent internal inuse invalid io ios issued jan journal jul jun kernel kib known kstat
label last layout left leg legs level limit linear linux list local lock locked log logical logs lost lv lvm lvs maj
major make many mar mark max may md mdadm mdstat media member members message metadata mib min minor minutes mirror
mirrored mismatch mismatches missing mixed mode module mon more moreinfo mount mounted move msgid multipath multiple
name native near need needs never new next no none normal not nov num number numbers nvme oct offline offset old one
online only open opened openzfs operation optimal or origin other otherwise out outdated output overall packed pages
parallel parameters parity part partial partition pass path pause paused pending per percent permanent permission
permissions persistence persistent personalities phys physical policy pool pools position possible possibly ppl
preread present primary proc process processed profile profiles progress properties pv pvs quota raid raid0 raid1
raid10 raid4 raid5 raid6 raiddevice raidz raidz1 raidz2 raidz3 rate ratio raw read read-only readonly reads ready
rebalance rebuild rebuilding rebuilt reconstruct recover recovered recovering recovery redundancy referenced refused
region remaining remote removal remove removed removing rep repair repaired repairing replace replaced replacement
replacing replicas report requested reserve reserved reset reshape reshaping resilver resilvered resilvering resource
response resting restore restored resulting resume resumed resync resyncing retry rimage rmeta rmw root rounding run
running safe sat scan scanned scanning scrub scrubbed scrubbing sec second secondary seconds sector sectors see
segment segtype self sep seq sequential serialize server set share shared show simple since single size skip skipped
slack slot slow snapshot some source spa space spare spared spares special speed spent spl start started stat state
stats status stop stopped storage stripe striped stuck sub success such sufficient summary sun super superblock
support sure suspend suspended swap symmetric sync syncaction synced synchronized sys system systemd taken targ target
temporary text that the then thin thread threshold thu tib time timed to too total tracking trim trimming tue two txg
type unacknowledged unaffected unallocated unavail unavailable uncorr uncorrectable unhealthy uninitialized unknown
unmounted unrecoverable unsupported untrimmed unused unverified upgrade usage use used user using utc uuid value vdev
vdevs verify verity vers version vg vgs volume volumes wait waiting want warn warning was wed while will wiping with
working write writing written zero zfs zone zpl zpool
"""

_FOLDERS = """
bin block btrfs by-id by-label by-partlabel by-partuuid by-path by-uuid by-vdev cciss class dev devices disk dmsetup etc
export home lib local lvs mapper md mdadm media mnt opt proc run sbin srv sys tmp usr var zfs zpool
"""

# A pool may be called by such a word. It is then replaced where a name must stand or where it is quoted, and nowhere
# else: it says nothing of its owner, and a text that lost it could not be read any more.
GRAMMAR = frozenset(_GRAMMAR.split())

# Parts of paths that every server has.
GENERIC_FOLDERS = frozenset(_FOLDERS.split()) | {""}

# Parts of names that the tools add and look for: legs of volumes, partitions, kinds of mapped devices, objects.
KEPT_IN_NAMES = re.compile(
    r"part\d+|rimage|rmeta|mimage|mlog|imeta|iorig|real|cow|tpool|[tc]data|[tc]meta|cvol|corig|pmspare|vdata|vpool"
    r"|CRYPT|LUKS\d|LVM|mpath|naa|eui|0x[0-9a-f]{1,15}"
)
