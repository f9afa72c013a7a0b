/* tasks.c - round robin with a 100 Hz tick.
 *
 * A task that does not run keeps its registers on its own stack, always in the same order, so
 * that a switch from the tick and a switch from task_yield() look the same afterwards:
 *   sp -> iy ix hl de bc af pc
 */
#include "tasks.h"

#define READY    0
#define BLOCKED  1
#define ASLEEP   2

struct task {
    uint16_t sp;
    uint8_t state;
    uint16_t wake;              /* tick at which a sleeper goes on */
    struct sem *on;             /* what a blocked one waits for */
};

static struct task tasks[NTASKS];
static uint8_t stacks[NTASKS][STACK];
static uint8_t current;
static volatile uint16_t ticks;

void task_create(uint8_t n, void (*entry)(void))
{
    uint16_t *p = (uint16_t *)&stacks[n][STACK];
    uint8_t i;

    *--p = (uint16_t)entry;
    for (i = 0; i < 6; i++)
        *--p = 0;
    tasks[n].sp = (uint16_t)p;
    tasks[n].state = READY;
}

/* The last task is the idle task and is always ready. */
static uint8_t next_ready(void)
{
    uint8_t n = current;
    uint8_t i;

    for (i = 0; i < NTASKS; i++) {
        if (++n >= NTASKS - 1)
            n = 0;
        if (tasks[n].state == READY)
            return n;
    }
    return NTASKS - 1;
}

/* Both with interrupts off: keep the old stack pointer, give the new one. */
uint16_t switch_from(uint16_t sp)
{
    tasks[current].sp = sp;
    current = next_ready();
    return tasks[current].sp;
}

uint16_t tick_from(uint16_t sp)
{
    uint8_t i;

    ticks++;
    for (i = 0; i < NTASKS; i++) {
        if (tasks[i].state == ASLEEP && (int16_t)(ticks - tasks[i].wake) >= 0)
            tasks[i].state = READY;
    }
    return switch_from(sp);
}

void tick_entry(void) __naked
{
    __asm
        push    af
        push    bc
        push    de
        push    hl
        push    ix
        push    iy
        ld      hl, #0
        add     hl, sp
        call    _tick_from
        ex      de, hl
        ld      sp, hl
        pop     iy
        pop     ix
        pop     hl
        pop     de
        pop     bc
        pop     af
        ei
        reti
    __endasm;
}

void task_yield(void) __naked
{
    __asm
        di
        push    af
        push    bc
        push    de
        push    hl
        push    ix
        push    iy
        ld      hl, #0
        add     hl, sp
        call    _switch_from
        ex      de, hl
        jp      resume
    __endasm;
}

void tasks_run(void) __naked
{
    __asm
        ld      hl, (_tasks)
resume:
        ld      sp, hl
        pop     iy
        pop     ix
        pop     hl
        pop     de
        pop     bc
        pop     af
        ei
        ret
    __endasm;
}

void task_sleep(uint16_t n)
{
    DI();
    tasks[current].wake = ticks + n;
    tasks[current].state = ASLEEP;
    task_yield();
}

void sem_wait(struct sem *s)
{
    DI();
    while (s->count <= 0) {
        tasks[current].on = s;
        tasks[current].state = BLOCKED;
        task_yield();
        DI();
    }
    s->count--;
    EI();
}

void sem_post_isr(struct sem *s)
{
    uint8_t i;

    s->count++;
    for (i = 0; i < NTASKS; i++) {
        if (tasks[i].state == BLOCKED && tasks[i].on == s) {
            tasks[i].state = READY;
            return;
        }
    }
}

void sem_post(struct sem *s)
{
    DI();
    sem_post_isr(s);
    EI();
}
