#!/bin/sh
# Makes secrets/ beside this file: an authority and a certificate for the broker, and a password for everyone.
# Run once; what is there already stays. The page's password is asked for by the last line it prints.
#
#   sh secrets.sh cellar.example
#
# Needs openssl and mosquitto_passwd (on Debian: apt install openssl mosquitto).
set -eu
umask 077
name=${1:?the name or address by which sensors reach the broker}
cd "$(dirname "$0")"
mkdir -p secrets/broker
cd secrets

fresh() { # a password of 32 letters and digits, if there is none yet
  [ -s "$1" ] || openssl rand -hex 16 | tr -d '\n' >"$1"
}
for one in mqtt__password influx_password influx__token grafana_password float_password; do
  fresh "$one"
done

cd broker
case $name in
  *[!0-9.]*) also="DNS:$name" ;;
  *) also="IP:$name" ;;
esac
if [ ! -s ca.pem ]; then
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 3650 \
    -subj "/CN=carboyd cellar authority" -keyout ca.key -out ca.pem 2>/dev/null
fi
if [ ! -s server.pem ]; then
  openssl req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes \
    -subj "/CN=$name" -keyout server.key -out server.csr 2>/dev/null
  printf 'subjectAltName=%s,DNS:mosquitto,DNS:localhost\n' "$also" >server.ext
  openssl x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 1825 \
    -extfile server.ext -out server.pem 2>/dev/null
  rm server.csr server.ext
fi
if [ ! -s passwords ]; then
  : >passwords
  mosquitto_passwd -b passwords carboyd "$(cat ../mqtt__password)"
  mosquitto_passwd -b passwords float "$(cat ../float_password)"
fi
# each container reads as a user of its own; on this machine the folder around all of it is closed to others
chmod 755 . && chmod 644 ca.pem server.pem server.key passwords && chmod 600 ca.key
cd ..
chmod 700 . && chmod 644 mqtt__password influx_password influx__token grafana_password
[ -s web__password_hash ] || echo "Now the page's password: carboyd password > $(pwd)/web__password_hash"
