#!/bin/sh
# Makes what docker-compose.yml lends to its containers, in the folder `secrets` beside this file, each file readable by the account of the one
# container that reads it, and by nobody else. As root; docs/install.md has the whole command. What it is given goes to
# `zoneledger certificates`. It may be run again, such as with --renew or for another cell: passwords stay as they are.
set -eu
umask 077
cd "$(dirname "$0")"
zoneledger certificates secrets "$@"
cd secrets

[ -e database-password ] || head -c 32 /dev/urandom | od -An -tx1 | tr -d ' \n' > database-password
cp database-password postgres-password
touch broker-passwords

chown -R 0:0 .
chmod -R go= .
chown 1883:1883 broker.pem broker.key broker-passwords
chown 999:999 postgres-password
chown 101:101 web.pem web.key
chown -R 10001:10001 database-password service.pem service.key
[ ! -e cells ] || chown -R 10001:10001 cells
# What says who is to be believed is no secret.
chmod a+r ca.pem
