/**
 * The structure block of a flattened device tree (Devicetree Specification v0.4, chapter 5), walked without
 * recursion: a tree nested a million deep costs a counter.
 */
import { Damage, need } from './format-finding.ts'
import type { ByteSource } from './source.ts'

// §5.4.1
const BEGIN_NODE = 1
const END_NODE = 2
const PROPERTY = 3
const NOP = 4
const END = 9
const MAX_NAME_BYTES = 1024
/** §2.2.1.1, with the `@` before a unit address; the root's name is empty. */
const NODE_NAME = /^[A-Za-z0-9,._+\-@]*$/
/** §2.2.4.1 */
const PROPERTY_NAME = /^[A-Za-z0-9,._+?#-]+$/

export interface TreeLayout {
  readonly totalBytes: number
  readonly structureAt: number
  readonly structureEnd: number
  readonly stringsAt: number
  readonly stringsEnd: number
}

/** Bytes in the file. */
export interface BytesAt {
  readonly at: number
  readonly bytes: number
}

interface TreePart {
  readonly what: 'begin' | 'property' | 'end'
  /** Empty at the end of a node. */
  readonly name: string
  /** Of the node, be it its own begin and end or its properties; the root has 1. */
  readonly depth: number
  /** Of a property. */
  readonly value: BytesAt
}

const NO_VALUE: BytesAt = { at: 0, bytes: 0 }

/** All nodes and properties, in their order. */
export function* treeParts(source: ByteSource, layout: TreeLayout): Generator<TreePart> {
  let at = layout.structureAt
  let depth = 0
  for (;;) {
    if (at + 4 > layout.structureEnd) throw new Damage('the structure block does not end as it must', at)
    const token = need(source, at, 4, 'the structure block').readUInt32BE(0)
    at += 4
    if (token === NOP) continue
    if (token === END) {
      if (depth !== 0) throw new Damage('the tree ends within a node', at - 4)
      return
    }
    if (token === BEGIN_NODE) {
      const name = nameAt(source, at, layout.structureEnd, NODE_NAME)
      depth += 1
      yield { what: 'begin', name, depth, value: NO_VALUE }
      at = aligned(at + name.length + 1)
    } else if (token === END_NODE) {
      if (depth === 0) throw new Damage('a node ends that has not begun', at - 4)
      yield { what: 'end', name: '', depth, value: NO_VALUE }
      depth -= 1
    } else if (token === PROPERTY && depth > 0) {
      const head = need(source, at, 8, 'a property')
      const value = { at: at + 8, bytes: head.readUInt32BE(0) }
      const nameOffset = layout.stringsAt + head.readUInt32BE(4)
      if (nameOffset >= layout.stringsEnd)
        throw new Damage('the name of a property lies outside the strings', at + 4)
      if (value.at + value.bytes > layout.structureEnd)
        throw new Damage('a property reaches out of the structure block', at)
      const name = nameAt(source, nameOffset, layout.stringsEnd, PROPERTY_NAME)
      yield { what: 'property', name, depth, value }
      at = aligned(value.at + value.bytes)
    } else throw new Damage('this is none of the tokens that may stand here', at - 4)
  }
}

export function aligned(at: number): number {
  return Math.ceil(at / 4) * 4
}

/** A NUL-terminated name. */
function nameAt(source: ByteSource, at: number, end: number, rule: RegExp): string {
  const bytes = source.read(at, Math.min(MAX_NAME_BYTES, end - at))
  const length = bytes.indexOf(0)
  if (length < 0) throw new Damage('a name does not end', at)
  const name = bytes.toString('latin1', 0, length)
  if (!rule.test(name)) throw new Damage('a name has characters that names may not have', at)
  return name
}
