/**
 * Whether all of 127.0.0.0/8 is this machine (RFC 1122 §3.2.1.3), so that each simulated device can have an address
 * of its own: on Linux and Windows it is; macOS knows 127.0.0.1 alone.
 */
export const LOOPBACK_IS_WIDE = process.platform !== 'darwin'
