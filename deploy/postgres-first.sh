#!/bin/sh
# What the image of PostgreSQL runs once, when it has made the database's files: the service's own account and database.
set -eu

# That account owns its database and rules nothing else. The image's own one has no password after this, so that it is let in from within
# the container only.
psql -v ON_ERROR_STOP=1 --no-psqlrc --username "${POSTGRES_USER:-postgres}" --dbname postgres <<'SQL'
\getenv password POSTGRES_PASSWORD
CREATE ROLE zoneledger LOGIN PASSWORD :'password';
CREATE DATABASE zoneledger OWNER zoneledger;
ALTER ROLE CURRENT_USER PASSWORD NULL;
SQL
