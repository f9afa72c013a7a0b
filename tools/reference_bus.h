/* The yardstick's state, cards, bus cycles and interrupts; see reference.c. */
#include <stdint.h>

typedef int64_t num;

enum { B, C, D, E, H, L, F, A, IXH, IXL, IYH, IYL };
enum { PAGES = 16, SLOTS = 4, PHYSICAL = 1 << 20 };

struct machine {
    num r[16];
    num pc, sp, i, refresh, iff1, iff2, im, wz, q, after_ei, instructions;
    num t, next_event, t_stop;
    num int_line, irq_dirty, held_t, held_int;
    num rb[PAGES], wb[PAGES], wait_m1[PAGES], wait_mem[PAGES];
    num empty_reads, rom_writes, bus_byte;
    num port_slot[256], port_reg[256], port_reads[256], port_writes[256];
    num slots, ev[SLOTS], ip[SLOTS], ius[SLOTS], int_count[SLOTS], reti_count[SLOTS];
    num kind[SLOTS], state[SLOTS][4];
    uint8_t phys[PHYSICAL];
};

static uint8_t SZ[256], SZP[256];

static void make_tables(void)
{
    for (int k = 0; k < 256; k++) {
        SZ[k] = (k & 0xA8) | (k == 0 ? 0x40 : 0);
        SZP[k] = SZ[k] | (__builtin_parity(k) ? 0 : 4);
    }
}

/* --- cards ------------------------------------------------------------------------- */

enum { NO_CARD, STATUS, BANKS, TIMER };
#define PERIOD 1000
#define WAIT_FOR_DATA 2000

typedef num (*entry)(struct machine *, num *, num, num);

static num nothing(struct machine *m, num *s, num a, num t) { return 0; }

static num status_read(struct machine *m, num *s, num a, num t)
{
    if ((a & 0xFFFF) == 0)
        return t >= s[0];
    s[0] = t + WAIT_FOR_DATA;
    s[1] = (s[1] * 5 + 1) & 0xFF;
    return s[1];
}

static num banks_write(struct machine *m, num *s, num a, num t)
{
    num base = (16 + ((a >> 8) & 31) * 4) * 4096;
    for (num page = 4; page < 8; page++) {
        m->rb[page] = m->wb[page] = base + (page - 4) * 4096;
        m->wait_m1[page] = m->wait_mem[page] = 0;
    }
    return 0;
}

static num timer_advance(struct machine *m, num *s, num t, num unused)
{
    while (s[0] <= t) {
        s[0] += PERIOD;
        m->ip[s[1]] = 1;
        m->irq_dirty = 1;
    }
    m->ev[s[1]] = s[0];
    return 0;
}

static num timer_acknowledge(struct machine *m, num *s, num source, num t)
{
    m->ip[s[1]] &= ~source;
    return 0x10;
}

struct card { entry read, write, advance, acknowledge; };

static const struct card CARDS[] = {
    { nothing, nothing, nothing, nothing },
    { status_read, nothing, nothing, nothing },
    { nothing, banks_write, nothing, nothing },
    { nothing, nothing, timer_advance, timer_acknowledge },
};

static __attribute__((noinline)) void update_int(struct machine *m)
{
    num iei = 1, line = 0;
    m->irq_dirty = 0;
    for (num k = 0; k < m->slots; k++) {
        num ip = m->ip[k], ius = m->ius[k];
        if (iei && ip && (ius == 0 || (ip & -ip) < (ius & -ius)))
            line = 1;
        if (ip | ius)
            iei = 0;
    }
    if (line && !m->int_line)
        m->next_event = 0;
    m->int_line = line;
}

/* --- bus cycles -------------------------------------------------------------------- */

static __attribute__((noinline)) num read_slow(struct machine *m, num address)
{
    m->empty_reads++;
    return 0xFF;
}

static __attribute__((noinline)) void write_slow(struct machine *m, num address, num value)
{
    m->rom_writes++;
    m->bus_byte = value;
}

static inline num rd(struct machine *m, num address)
{
    num page = address >> 12, base = m->rb[page], value;
    value = base >= 0 ? m->phys[base + (address & 0xFFF)] : read_slow(m, address);
    m->t += 3 + m->wait_mem[page];
    return value;
}

static inline void wr(struct machine *m, num address, num value)
{
    num page = address >> 12, base = m->wb[page];
    if (base >= 0)
        m->phys[base + (address & 0xFFF)] = value;
    else
        write_slow(m, address, value);
    m->t += 3 + m->wait_mem[page];
}

static inline num m1(struct machine *m)
{
    num page = m->pc >> 12, base = m->rb[page], value;
    value = base >= 0 ? m->phys[base + (m->pc & 0xFFF)] : read_slow(m, m->pc);
    m->t += 4 + m->wait_m1[page];
    m->pc = (m->pc + 1) & 0xFFFF;
    m->refresh = (m->refresh & 0x80) | ((m->refresh + 1) & 0x7F);
    return value;
}

static inline num fetch(struct machine *m)
{
    num value = rd(m, m->pc);
    m->pc = (m->pc + 1) & 0xFFFF;
    return value;
}

static inline num fetch16(struct machine *m)
{
    num low = fetch(m);
    return low | fetch(m) << 8;
}

static inline void push(struct machine *m, num value)
{
    m->sp = (m->sp - 1) & 0xFFFF;
    wr(m, m->sp, value >> 8);
    m->sp = (m->sp - 1) & 0xFFFF;
    wr(m, m->sp, value & 0xFF);
}

static inline num pop(struct machine *m)
{
    num low = rd(m, m->sp), high;
    m->sp = (m->sp + 1) & 0xFFFF;
    high = rd(m, m->sp);
    m->sp = (m->sp + 1) & 0xFFFF;
    return low | high << 8;
}

static void catch_up(struct machine *m, num slot, num when)
{
    if (m->ev[slot] <= when) {
        CARDS[m->kind[slot]].advance(m, m->state[slot], when, 0);
        if (m->irq_dirty)
            update_int(m);
    }
}

static void after_access(struct machine *m, num when, num line)
{
    if (m->irq_dirty) {
        update_int(m);
        m->held_t = when;
        m->held_int = line;
        m->next_event = 0;
    }
}

static __attribute__((noinline)) num inp(struct machine *m, num port)
{
    num low = port & 0xFF, slot = m->port_slot[low], when = m->t + 3, value = 0xFF;
    if (slot >= 0) {
        catch_up(m, slot, when);
        num line = m->int_line;
        value = CARDS[m->kind[slot]].read(
            m, m->state[slot], m->port_reg[low] | port << 16, when);
        after_access(m, when, line);
    }
    m->port_reads[low]++;
    m->bus_byte = value;
    m->t += 4;
    return value;
}

static __attribute__((noinline)) void outp(struct machine *m, num port, num value)
{
    num low = port & 0xFF, slot = m->port_slot[low], when = m->t + 3;
    m->port_writes[low]++;
    m->bus_byte = value;
    if (slot >= 0) {
        catch_up(m, slot, when);
        num line = m->int_line;
        CARDS[m->kind[slot]].write(
            m, m->state[slot], m->port_reg[low] | value << 8 | port << 16, when);
        after_access(m, when, line);
    }
    m->t += 4;
}

/* --- between instructions ---------------------------------------------------------- */

static void take_int(struct machine *m)
{
    num vector = 0xFF, pointer;
    m->iff1 = m->iff2 = 0;
    for (num k = 0; k < m->slots; k++) {
        num source = m->ip[k] & -m->ip[k];
        if (source) {
            m->ius[k] |= source;
            vector = CARDS[m->kind[k]].acknowledge(m, m->state[k], source, m->t);
            m->int_count[k]++;
            m->irq_dirty = 1;
            break;
        }
    }
    if (m->irq_dirty)
        update_int(m);
    m->bus_byte = vector;
    m->t += 7;
    m->refresh = (m->refresh & 0x80) | ((m->refresh + 1) & 0x7F);
    push(m, m->pc);
    pointer = m->i << 8 | vector;
    m->pc = rd(m, pointer);
    m->pc |= rd(m, (pointer + 1) & 0xFFFF) << 8;
    m->wz = m->pc;
}

/* Look around; 0: leave the run. */
static __attribute__((noinline)) int service(struct machine *m)
{
    for (;;) {
        int again = 0;
        num soonest = (num)1 << 62;
        if (m->t >= m->t_stop)
            return 0;
        for (num k = 0; k < m->slots; k++)
            catch_up(m, k, m->t - 1);
        if ((m->held_t == m->t - 1 ? m->held_int : m->int_line) && m->iff1 && !m->after_ei) {
            take_int(m);
            m->q = 0;
            again = 1;
        } else if (m->after_ei || m->held_t == m->t - 1) {
            again = 1;
        }
        m->after_ei = 0;
        for (num k = 0; k < m->slots; k++)
            if (m->ev[k] < soonest)
                soonest = m->ev[k];
        m->next_event = soonest + 1 < m->t_stop ? soonest + 1 : m->t_stop;
        if (again)
            m->next_event = 0;
        return 1;
    }
}

static __attribute__((noinline)) void return_from_interrupt(struct machine *m)
{
    for (num k = 0; k < m->slots; k++)
        if (m->ius[k]) {
            m->ius[k] &= m->ius[k] - 1;
            m->reti_count[k]++;
            m->irq_dirty = 1;
            break;
        }
    if (m->irq_dirty)
        update_int(m);
}
