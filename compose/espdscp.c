/* The code point outside as inside: a preload for charon where it does ESP itself (kernel-libipsec).
 *
 * RFC 4301 section 5.1.2.1 has the DSCP of the inner header copied to the outer one, and a kernel's ESP does so; that of
 * strongSwan 5.9 in user space leaves it at zero, although its packets carry a code point and its socket sets it. So each
 * packet is given its payload's as it is made. ECN bits are left alone (RFC 6040 asks more than a copy).
 *
 * esp_packet_create_from_payload is exported by libipsec and called through its own linkage table, so this one comes
 * before it. Of the two objects, one place in each one's table of methods is used; the order is 5.9.8's (packet.h,
 * ip_packet.h), and the image is not built with another version (router.Dockerfile).
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stddef.h>
#include <stdint.h>

typedef struct {
    const uint8_t *bytes;
    size_t length;
} chunk;

typedef struct packet packet;
struct packet {
    void (*others[7])(void); /* set_source, set_destination, get_source, get_destination, get_data, set_data, get_dscp */
    void (*set_dscp)(packet *self, uint8_t value);
};

typedef struct payload payload;
struct payload {
    void (*others[4])(void); /* get_version, get_source, get_destination, get_next_header */
    chunk (*get_encoding)(payload *self);
};

typedef packet *(*create_fn)(void *source, void *destination, payload *inner);

packet *esp_packet_create_from_payload(void *source, void *destination, payload *inner) {
    static _Atomic(create_fn) found;
    create_fn real = found;
    if (!real) { /* a plugin brought libipsec in: it is in nobody's scope but its own, where RTLD_NEXT does not look */
        void *library = dlopen("libipsec.so.0", RTLD_LAZY | RTLD_NOLOAD);
        found = real = (create_fn)dlsym(library, "esp_packet_create_from_payload");
    }
    packet *outer = real(source, destination, inner);
    if (outer && inner) {
        chunk data = inner->get_encoding(inner);
        if (data.length >= 20 && data.bytes[0] >> 4 == 4) /* IPv4: RFC 791 section 3.1, RFC 2474 section 3 */
            outer->set_dscp(outer, data.bytes[1] >> 2);
    }
    return outer;
}
