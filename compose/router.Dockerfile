# The router's hardware: loader (PID 1), modem, the daemons that its firmware drives, and two preloads: a clock of its
# own, and the code point outside as inside. The firmware itself (emulators/router/runtime) is not here: it comes in
# signed images.
# One step: a compiler kept in a layer would cost 400 MB of the engine's disk, and this file hardly ever changes.
FROM branchproof/base:bench AS devclock
LABEL branchproof.stage=devclock
COPY devclock.c espdscp.c /src/
RUN export DEBIAN_FRONTEND=noninteractive \
 && apt-get update -q \
 && apt-get install -qy --no-install-recommends gcc libc6-dev \
 && for name in devclock espdscp; do \
      gcc -std=c11 -O2 -fPIC -shared -Wall -Wextra -Werror -o /src/$name.so /src/$name.c || exit 1; \
    done \
 && apt-get purge -qy --auto-remove gcc libc6-dev \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/*

FROM branchproof/base:bench
# libcharon-extra-plugins carries kernel-libipsec: ESP in user space, where the kernel has none.
RUN export DEBIAN_FRONTEND=noninteractive \
 && apt-get update -q \
 && apt-get install -qy --no-install-recommends \
      charon-systemd chrony cracklib-runtime dnsmasq-base hostapd iptables libcharon-extra-plugins libnss-extrausers \
      libpam-modules libstrongswan-extra-plugins libstrongswan-standard-plugins openssh-server python3-aiohttp \
      python3-serial rsyslog snmpd strongswan-swanctl udhcpc unbound \
 && rm -rf /var/lib/apt/lists/* /var/cache/apt/* /var/log/* /etc/ssh/ssh_host_* \
 && find / -xdev -type f -perm /6000 -exec chmod a-s {} +

# Root lacks DAC_OVERRIDE in the lab: what belongs to a daemon's own account would be closed to it.
RUN find /etc /var /usr/lib /usr/share -xdev ! -user root -exec chown root {} +

# The operator's account comes with the configuration: the name service reads it from /run.
RUN sed -i 's/^\(passwd\|group\|shadow\):  *files/& extrausers/' /etc/nsswitch.conf \
 && grep -c extrausers /etc/nsswitch.conf | grep -qx 3 \
 && rm -rf /var/lib/extrausers && ln -s /run/extrausers /var/lib/extrausers

# Log-ins by password: Debian's own stack writes what the device may not (login uid, limits), and pam_unix(8) would make
# each failed one wait two seconds.
RUN printf '%s required pam_%s\n' auth 'unix.so nodelay' account unix.so session permit.so password deny.so \
      > /etc/pam.d/sshd

# espdscp.so knows the insides of this version of charon and of no other.
RUN dpkg-query -W -f '${Version}' charon-systemd | grep -q '^5\.9\.8-'
COPY --from=devclock /src/devclock.so /src/espdscp.so /usr/lib/branchproof/
COPY opt/ /opt/branchproof/
RUN python3 -m compileall -q -f --invalidation-mode unchecked-hash /opt/branchproof
CMD ["python3", "-m", "emulators.router.loader.main"]
