/* tasks.h - a small pre-emptive tasker */
#ifndef TASKS_H
#define TASKS_H
#include <stdint.h>

#define NTASKS   4
#define STACK    192

#define DI()     __asm__("di")
#define EI()     __asm__("ei")

struct sem {
    volatile int8_t count;
};

void task_create(uint8_t n, void (*entry)(void));
void tasks_run(void);
void task_yield(void);
void task_sleep(uint16_t ticks);
void sem_wait(struct sem *s);
void sem_post(struct sem *s);       /* tasks: interrupts on */
void sem_post_isr(struct sem *s);   /* handlers: interrupts off */
#endif
