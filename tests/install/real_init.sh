# Run by a real service manager in a namespace of its own (test_real_init.py); what is seen goes to /mnt/out/told.
exec >/mnt/out/log 2>&1
set -x
records=/var/lib/ballast-rig
tell() { echo "$1=$2" >>/mnt/out/told; }
ask() { systemctl show ballast-rig -p "$1" --value; }
current() { readlink /opt/ballast-rig/current; }
with() { version=$1; shift; "/var/rig-test/$version/bin/python" -I -m rig.cli "$@"; }
# Until the service is ready under another process than $1, at most 60 s.
ready_after() {
    for _ in $(seq 120); do
        sleep 0.5
        [ "$(ask MainPID)" != "$1" ] && systemctl -q is-active ballast-rig && return
    done
}

dpkg --install /var/rig-test/one.deb
tell installed "$(current) $(ask ActiveState) $(systemctl is-enabled ballast-rig)"
install -o ballast-rig -g ballast-rig /var/rig-test/rig.toml /etc/ballast-rig/rig.toml
mkdir -p /run/systemd/system/ballast-rig.service.d
printf '[Service]\nWatchdogSec=4\n' >/run/systemd/system/ballast-rig.service.d/test.conf
systemctl daemon-reload
timeout 60 systemctl start ballast-rig
tell started "$(ask ActiveState) $(ps -o user:20=,supgrp:30= -p "$(ask MainPID)" | xargs)"
tell secret "$(stat -c '%a %U' $records/page.pem)"

touch $records/by-root
killed=$(ask MainPID)
kill -KILL "$killed"
ready_after "$killed"
tell killed "$(ask NRestarts) $(ask ActiveState)"
tell healed "$(stat -c '%U' $records/by-root)"
rm $records/by-root
frozen=$(ask MainPID)
kill -STOP "$frozen"
ready_after "$frozen"
tell frozen "$(ask NRestarts) $(ask ActiveState) $(journalctl -u ballast-rig | grep -c 'Watchdog timeout')"

with two install --upgrade
tell upgraded "$? $(current) $(ask ActiveState) $(readlink /opt/ballast-rig/previous) $(ls /opt/ballast-rig | xargs)"
with broken install --upgrade
tell broken "$? $(current)"
ready_after 0
tell after_broken "$(ask ActiveState) $(ls /opt/ballast-rig | xargs)"
with stuck install --upgrade
tell stuck "$? $(current)"
ready_after 0
tell after_stuck "$(ask ActiveState) $(ls /opt/ballast-rig | xargs)"

# The power fails just after the switch to a version that does not come up; nobody is there when it comes back.
systemctl stop ballast-rig
cp -a /var/rig-test/broken /opt/ballast-rig/broken
ln -sfn 2.0 /opt/ballast-rig/previous
echo broken >/opt/ballast-rig/trial
ln -sfn broken /opt/ballast-rig/current
systemctl start --no-block ballast-rig
ready_after 0
tell after_cut "$(ask ActiveState) $(current) $(ls /opt/ballast-rig | xargs)"

# A fill that nobody has ended.
install -o ballast-rig -g ballast-rig -m 600 /var/rig-test/journal.sqlite $records/journal.sqlite
with three install --upgrade 2>/mnt/out/unfinished
tell unfinished "$? $(current) $(ask ActiveState)"
dpkg --remove ballast-rig
tell not_removed "$? $(ask ActiveState)"
rm $records/journal.sqlite*
dpkg --remove ballast-rig
tell removed "$? $(ls /opt /etc/systemd/system /usr/lib | grep -c ballast) $(ls $records | xargs)"
