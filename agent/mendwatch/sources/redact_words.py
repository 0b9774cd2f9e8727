"""Words that redaction leaves where they stand: those that storage systems print by themselves."""

from __future__ import annotations

import re

_GRAMMAR = """
action activate active active-idle affected aligned alloc allocated applications array arrays ashift attempt auto
automatically avail available avg bad balance because been being bitmap block blocks broken btrfs bytes cache canceled
cancelled cannot check checkpoint checksum chunk chunks cksum class clean clear clock closed command complete
completed completion config configure connected consumes continue continued copied corrupt corrupted corruption could
count currently damaged data dead dedup default deferred degraded delayed deleted detail device devices devid dirty
disk disks dmsetup done draid dsync dup duration elapsed eliminate enabled entire error errors errs estimated
evacuation event events exact examined expand expanded expansion expected experienced export exported external fail
failed failing failure failures fault faulted faulty file files filesystem finish finished flags flush for format
found free frozen full function functioning generation global group guid hard has have healing health history hold
home host hot hours idle import imported in inactive indirect info initializing insufficient intact integrity intent
internal inuse invalid io issued journal kernel known label last layout left leg level limit linear list local lock
log logs lost lvm lvs md mdadm mdstat media member members metadata min minutes mirror mismatch missing mixed module
more mount mounted move multiple name near need needs never new next no none normal not offline old one online only
open operation optimal or other out outdated overall packed parity part partial partition path paused pending percent
permanent persistent personalities physical pool pools position possibly present primary process processed profile
profiles progress quota raid raid0 raid1 raid10 raid4 raid5 raid6 raidz raidz1 raidz2 raidz3 rate ratio raw read
readonly ready rebuild rebuilding rebuilt reconstruct recover recovered recovery redundancy remaining remote removal
remove removed repair repaired repairing replace replaced replacement replacing report reserve reserved reset reshape
resilver resilvered resilvering response restored resume resumed resync retry root running scan scanned scanning scrub
scrubbed scrubbing sec second secondary seconds sector sectors see segment self sequential server set shared simple
single size skipped slack slot slow some source space spare spared spares special speed start started stat state stats
status stop stopped storage stripe striped sub success sufficient summary super support suspended swap sync synced
synchronized system target temporary time to total trim trimming type unallocated unavail unavailable uncorrectable
unhealthy unknown unmounted unrecoverable unused upgrade usage use used user uuid value vdev vdevs verify version
volume volumes wait waiting want warning was with write writing written zero zfs zpool
"""

_FOLDERS = """
bin block btrfs by-id by-label by-partlabel by-partuuid by-path by-uuid by-vdev class dev devices disk dmsetup etc
export home lib local lvs mapper mdadm media mnt opt proc run sbin srv sys tmp usr var zfs zpool
"""

# A pool may be called by such a word. It is then replaced where a name must stand, and nowhere else: it says nothing
# of its owner, and a text that lost it could not be read any more.
GRAMMAR = frozenset(_GRAMMAR.split())

# Parts of paths that every server has.
GENERIC_FOLDERS = frozenset(_FOLDERS.split()) | {""}

# Parts of names that the tools add and look for: legs of volumes, partitions, kinds of mapped devices, objects.
KEPT_IN_NAMES = re.compile(r"part\d+|rimage|rmeta|mimage|mlog|CRYPT|LUKS\d|LVM|mpath|naa|eui|0x[0-9a-f]{1,15}")
