/**
 * Bytes a block: the unit that is digested, kept in the catalogue and verified before it is sent. One place,
 * because a stored block list of another size is worth nothing and is read anew.
 */
export const BLOCK_BYTES = 256 * 1024
