/* The yardstick of tools/bench.py: the benchmark's loops in C.  No part of the product.
 *
 * It keeps the books that the simulator keeps (emu/bus/cycles.py, emu/cpu/run.py): a page map
 * with a slow path, wait states by page, the T-state of every bus cycle, one event test
 * an instruction, MEMPTR, Q, R, all flag bits, cards called through a table of functions,
 * request and acknowledge.  It decodes with one 256-way switch, and knows only the opcodes
 * that the loops use; any other ends the run with -1.  tools/bench_reference.py holds the
 * same layout as a numpy dtype.
 */
#include "reference_bus.h"

/* --- arithmetic: results carry F in bits 8-15, 16-bit ones in bits 16-23 ------------- */

static inline num add8(num a, num v, num c)
{
    num s = a + v + c, r = s & 0xFF;
    return r | (SZ[r] | s >> 8 | ((a ^ v ^ s) & 0x10) | ((a ^ s) & (v ^ s) & 0x80) >> 5) << 8;
}

static inline num sub8(num a, num v, num c)
{
    num s = a - v - c, r = s & 0xFF;
    return r | (SZ[r] | 2 | (s >> 8 & 1) | ((a ^ v ^ s) & 0x10)
                | ((a ^ v) & (a ^ s) & 0x80) >> 5) << 8;
}

static inline num compare(num a, num v)
{
    return a | (((sub8(a, v, 0) >> 8) & ~0x28) | (v & 0x28)) << 8;
}

static inline num inc8(num v, num f)
{
    num r = (v + 1) & 0xFF;
    return r | ((f & 1) | SZ[r] | ((r & 15) == 0 ? 0x10 : 0) | (r == 0x80 ? 4 : 0)) << 8;
}

static inline num dec8(num v, num f)
{
    num r = (v - 1) & 0xFF;
    return r | ((f & 1) | SZ[r] | 2 | ((v & 15) == 0 ? 0x10 : 0) | (v == 0x80 ? 4 : 0)) << 8;
}

static inline num add16(num a, num b, num f)
{
    num s = a + b;
    return (s & 0xFFFF) | ((f & 0xC4) | (s >> 8 & 0x28) | s >> 16
                           | ((a ^ b ^ s) >> 8 & 0x10)) << 16;
}

static inline num adc16(num a, num b, num c)
{
    num s = a + b + c, r = s & 0xFFFF;
    return r | ((r >> 8 & 0xA8) | (r == 0 ? 0x40 : 0) | s >> 16 | ((a ^ b ^ s) >> 8 & 0x10)
                | ((a ^ s) & (b ^ s) & 0x8000) >> 13) << 16;
}

static inline num sbc16(num a, num b, num c)
{
    num s = a - b - c, r = s & 0xFFFF;
    return r | ((r >> 8 & 0xA8) | (r == 0 ? 0x40 : 0) | 2 | (s >> 16 & 1)
                | ((a ^ b ^ s) >> 8 & 0x10) | ((a ^ b) & (a ^ s) & 0x8000) >> 13) << 16;
}

/* --- the run loop ------------------------------------------------------------------ */

#define PAIR(high) (m->r[high] << 8 | m->r[(high) + 1])
#define SET_PAIR(high, value) \
    do { num w = (value); m->r[high] = w >> 8; m->r[(high) + 1] = w & 0xFF; } while (0)
#define FLAGS(value) (q = m->r[F] = (value))
#define TO_A(value) do { num w = (value); m->r[A] = w & 0xFF; FLAGS(w >> 8); } while (0)
#define COUNT(reg, operation) \
    do { num w = operation(m->r[reg], m->r[F]); m->r[reg] = w & 0xFF; FLAGS(w >> 8); } while (0)

static inline void jump_relative(struct machine *m, int taken)
{
    num d = fetch(m);
    if (taken) {
        m->t += 5;
        m->pc = (m->pc + d - ((d & 0x80) << 1)) & 0xFFFF;
        m->wz = m->pc;
    }
}

static inline num count_memory(struct machine *m, num address)
{
    num v = rd(m, address);
    m->t += 1;
    v = inc8(v, m->r[F]);
    wr(m, address, v & 0xFF);
    return m->r[F] = v >> 8;
}

static inline num displaced(struct machine *m, num high)
{
    num d = fetch(m), address = (PAIR(high) + d - ((d & 0x80) << 1)) & 0xFFFF;
    m->t += 5;
    return m->wz = address;
}

static inline num add_pair(struct machine *m, num high)
{
    num v = PAIR(high);
    m->t += 7;
    m->wz = (v + 1) & 0xFFFF;
    v = add16(v, PAIR(D), m->r[F]);
    SET_PAIR(high, v & 0xFFFF);
    return m->r[F] = v >> 16;
}

static num indexed(struct machine *m, num high)
{
    num q = 0, v;
    switch (m1(m)) {
    case 0x19: q = add_pair(m, high); break;
    case 0x21: SET_PAIR(high, fetch16(m)); break;
    case 0x34: q = count_memory(m, displaced(m, high)); break;
    case 0x75: v = displaced(m, high); wr(m, v, m->r[L]); break;
    case 0x77: v = displaced(m, high); wr(m, v, m->r[A]); break;
    case 0x7E: v = displaced(m, high); m->r[A] = rd(m, v); break;
    case 0x86: v = displaced(m, high); TO_A(add8(m->r[A], rd(m, v), 0)); break;
    case 0xE1: v = pop(m); SET_PAIR(high, v); break;
    case 0xE5: m->t += 1; push(m, PAIR(high)); break;
    default: return -1;
    }
    return q;
}

static num transfer(struct machine *m)
{
    num hl = PAIR(H), de = PAIR(D), bc = (PAIR(B) - 1) & 0xFFFF, v = rd(m, hl), n, q;
    wr(m, de, v);
    m->t += 2;
    SET_PAIR(D, (de + 1) & 0xFFFF);
    SET_PAIR(H, (hl + 1) & 0xFFFF);
    SET_PAIR(B, bc);
    n = (v + m->r[A]) & 0xFF;
    q = (m->r[F] & 0xC1) | (n & 8) | (n << 4 & 0x20) | (bc ? 4 : 0);
    if (bc) {
        m->t += 5;
        m->pc = (m->pc - 2) & 0xFFFF;
        m->wz = (m->pc + 1) & 0xFFFF;
        q = (q & ~0x28) | (m->pc >> 8 & 0x28);
    }
    return m->r[F] = q;
}

static num extended(struct machine *m)
{
    num q = 0, v, op = m1(m);
    switch (op) {
    case 0x47: m->t += 1; m->i = m->r[A]; break;
    case 0x4D:
        m->pc = m->wz = pop(m);
        m->iff1 = m->iff2;
        return_from_interrupt(m);
        m->next_event = 0;
        break;
    case 0x52:
    case 0x6A:
        v = PAIR(H);
        m->t += 7;
        m->wz = (v + 1) & 0xFFFF;
        v = op == 0x52 ? sbc16(v, PAIR(D), m->r[F] & 1) : adc16(v, v, m->r[F] & 1);
        SET_PAIR(H, v & 0xFFFF);
        FLAGS(v >> 16);
        break;
    case 0x5E: m->im = 2; break;
    case 0xB0: q = transfer(m); break;
    default: return -1;
    }
    return q;
}

num reference_run(struct machine *m, num t_stop)
{
    num count = 0, q = m->q, v, w;
    if (!SZ[0])
        make_tables();
    m->t_stop = t_stop;
    m->next_event = 0;
    for (;;) {
        if (m->t >= m->next_event) {
            m->q = q;
            if (!service(m))
                break;
            q = m->q;
        }
        num op = m1(m);
        q = 0;
        switch (op) {
        case 0x01: SET_PAIR(B, fetch16(m)); break;
        case 0x05: COUNT(B, dec8); break;
        case 0x06: m->r[B] = fetch(m); break;
        case 0x0C: COUNT(C, inc8); break;
        case 0x0E: m->r[C] = fetch(m); break;
        case 0x10:
            m->t += 1;
            m->r[B] = (m->r[B] - 1) & 0xFF;
            jump_relative(m, m->r[B] != 0);
            break;
        case 0x11: SET_PAIR(D, fetch16(m)); break;
        case 0x12:
            v = PAIR(D);
            wr(m, v, m->r[A]);
            m->wz = ((v + 1) & 0xFF) | m->r[A] << 8;
            break;
        case 0x19: q = add_pair(m, H); break;
        case 0x1C: COUNT(E, inc8); break;
        case 0x1D: COUNT(E, dec8); break;
        case 0x1F:
            v = m->r[A];
            m->r[A] = w = v >> 1 | (m->r[F] & 1) << 7;
            FLAGS((m->r[F] & 0xC4) | (w & 0x28) | (v & 1));
            break;
        case 0x20: jump_relative(m, !(m->r[F] & 0x40)); break;
        case 0x21: SET_PAIR(H, fetch16(m)); break;
        case 0x22:
            v = fetch16(m);
            m->wz = (v + 1) & 0xFFFF;
            wr(m, v, m->r[L]);
            wr(m, m->wz, m->r[H]);
            break;
        case 0x23: m->t += 2; SET_PAIR(H, (PAIR(H) + 1) & 0xFFFF); break;
        case 0x28: jump_relative(m, m->r[F] & 0x40); break;
        case 0x2A:
            v = fetch16(m);
            m->wz = (v + 1) & 0xFFFF;
            m->r[L] = rd(m, v);
            m->r[H] = rd(m, m->wz);
            break;
        case 0x2C: COUNT(L, inc8); break;
        case 0x31: m->sp = fetch16(m); break;
        case 0x34: q = count_memory(m, PAIR(H)); break;
        case 0x38: jump_relative(m, m->r[F] & 1); break;
        case 0x3E: m->r[A] = fetch(m); break;
        case 0x4F: m->r[C] = m->r[A]; break;
        case 0x50: m->r[D] = m->r[B]; break;
        case 0x57: m->r[D] = m->r[A]; break;
        case 0x5F: m->r[E] = m->r[A]; break;
        case 0x67: m->r[H] = m->r[A]; break;
        case 0x6F: m->r[L] = m->r[A]; break;
        case 0x77: wr(m, PAIR(H), m->r[A]); break;
        case 0x79: m->r[A] = m->r[C]; break;
        case 0x7C: m->r[A] = m->r[H]; break;
        case 0x7E: m->r[A] = rd(m, PAIR(H)); break;
        case 0x80: TO_A(add8(m->r[A], m->r[B], 0)); break;
        case 0x83: TO_A(add8(m->r[A], m->r[E], 0)); break;
        case 0xA6: m->r[A] &= rd(m, PAIR(H)); FLAGS(SZP[m->r[A]] | 0x10); break;
        case 0xAA: m->r[A] ^= m->r[D]; FLAGS(SZP[m->r[A]]); break;
        case 0xC3: m->pc = m->wz = fetch16(m); break;
        case 0xC9: m->pc = m->wz = pop(m); break;
        case 0xCB:
            if (m1(m) != 0x48)
                return -1;
            v = m->r[B] & 2;
            FLAGS((m->r[F] & 1) | 0x10 | (v ? 0 : 0x44) | (m->r[B] & 0x28));
            break;
        case 0xCD:
            m->wz = fetch16(m);
            m->t += 1;
            push(m, m->pc);
            m->pc = m->wz;
            break;
        case 0xCE: TO_A(add8(m->r[A], fetch(m), m->r[F] & 1)); break;
        case 0xD3:
            v = fetch(m);
            m->wz = ((v + 1) & 0xFF) | m->r[A] << 8;
            outp(m, m->r[A] << 8 | v, m->r[A]);
            break;
        case 0xDB:
            v = m->r[A] << 8 | fetch(m);
            m->wz = (v + 1) & 0xFFFF;
            m->r[A] = inp(m, v);
            break;
        case 0xDD: q = indexed(m, IXH); break;
        case 0xE1: v = pop(m); SET_PAIR(H, v); break;
        case 0xE5: m->t += 1; push(m, PAIR(H)); break;
        case 0xE6: m->r[A] &= fetch(m); FLAGS(SZP[m->r[A]] | 0x10); break;
        case 0xED: q = extended(m); break;
        case 0xF1: v = pop(m); m->r[A] = v >> 8; m->r[F] = v & 0xFF; break;
        case 0xF5: m->t += 1; push(m, m->r[A] << 8 | m->r[F]); break;
        case 0xF6: m->r[A] |= fetch(m); FLAGS(SZP[m->r[A]]); break;
        case 0xFB: m->iff1 = m->iff2 = m->after_ei = 1; m->next_event = 0; break;
        case 0xFD: q = indexed(m, IYH); break;
        case 0xFE: TO_A(compare(m->r[A], fetch(m))); break;
        default: return -1;
        }
        if (q < 0)
            return -1;
        count++;
    }
    m->q = q;
    m->instructions += count;
    return count;
}
