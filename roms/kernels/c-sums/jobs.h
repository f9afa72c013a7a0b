#ifndef JOBS_H
#define JOBS_H

#include <stdint.h>

/* Every job computes for a while and answers with one number. */
typedef uint32_t (*job_fn)(void);

uint32_t primes(void);
uint32_t crc16(void);
uint32_t crc32(void);
uint32_t matrix(void);
uint32_t hailstones(void);
uint32_t queens(void);

#endif
